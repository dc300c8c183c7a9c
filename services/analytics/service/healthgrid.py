"""Whole UTC days side by side, and sums, shares and middles over them without a loop over days."""

from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np

from services.analytics.power.frame import BoolArray
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, datetime_of

BEFORE_MS, AFTER_MS = DAY_MS, 4 * HOUR_MS
"""Samples around a day that it rests on: what charges is judged in blocks of two hours, by the block after
it; pauses of half an hour are filled."""


@dataclass(frozen=True)
class Days:
    """So many UTC days in a row from a midnight on."""

    start_ms: int
    count: int
    zone: ZoneInfo | None
    """Whose clock says what is night; None for UTC."""

    @cached_property
    def day_ms(self) -> IntArray:
        """Their starts [ms]."""
        return np.asarray(self.start_ms + np.arange(self.count) * DAY_MS, dtype=np.int64)

    def place(self, t_ms: IntArray) -> IntArray:
        """Return the number of the day of each instant, in order; -1 and `count` for those outside."""
        return np.asarray(np.clip((t_ms - self.start_ms) // DAY_MS, -1, self.count), dtype=np.int64)

    def total(self, place: IntArray, weights: FloatArray | IntArray) -> FloatArray:
        """Return the sum of values, free of NaN, by day; `place` does not fall."""
        if self.count == 0:
            return np.empty(0)
        edges = np.searchsorted(place, np.arange(self.count + 1))
        held: FloatArray | IntArray = weights[: edges[-1]]
        if edges[-2] == edges[-1]:  # a day without any at the end begins behind the last value
            padded = np.zeros(int(edges[-1]) + 1)
            padded[:-1] = held
            held = padded
        return np.where(edges[1:] > edges[:-1], np.add.reduceat(held, edges[:-1]), 0.0)

    def hours(self, place: IntArray, ms: FloatArray | IntArray) -> FloatArray:
        """Return the sum of durations by day [h]."""
        return self.total(place, ms) / HOUR_MS

    def mean(self, place: IntArray, values: FloatArray, held_ms: IntArray) -> FloatArray:
        """Return the mean of known values that each held for a while, by day; NaN without any.

        Whole thousandths times whole milliseconds: such sums do not depend on their order.
        """
        known = np.isfinite(values)
        weight = np.where(known, held_ms, 0)
        sums = self.total(place, np.round(1000.0 * np.where(known, values, 0.0)) * weight)
        return ratio(sums, 1000.0 * self.total(place, weight))

    def middle(self, place: IntArray, values: FloatArray, fewest: int = 1) -> FloatArray:
        """Return the median of known values by day; NaN with fewer than `fewest`."""
        known = np.isfinite(values) & (place >= 0) & (place < self.count)
        place, values = place[known], values[known]
        ordered = values[np.lexsort((values, place))]
        number = np.bincount(place, minlength=self.count)[: self.count]
        end = np.cumsum(number)
        first = end - number
        found = np.full(self.count, np.nan)
        some = number >= max(fewest, 1)
        low = ordered[first[some] + (number[some] - 1) // 2]
        found[some] = (low + ordered[first[some] + number[some] // 2]) / 2.0
        return found

    def low_end(self, place: IntArray, values: FloatArray, share: float, fewest: int) -> FloatArray:
        """Return the value that a share of the known ones lies below, by day; NaN with too few."""
        known = np.isfinite(values) & (place >= 0) & (place < self.count)
        place, values = place[known], values[known]
        ordered = values[np.lexsort((values, place))]
        number = np.bincount(place, minlength=self.count)[: self.count]
        found = np.full(self.count, np.nan)
        some = number >= fewest
        first = np.cumsum(number) - number
        found[some] = ordered[first[some] + (share * (number[some] - 1)).astype(np.int64)]
        return found

    def highest(self, place: IntArray, values: FloatArray) -> FloatArray:
        """Return the highest known value by day; NaN without any."""
        known = np.isfinite(values) & (place >= 0) & (place < self.count)
        found = np.full(self.count, -np.inf)
        np.maximum.at(found, place[known], values[known])
        return np.where(np.isfinite(found), found, np.nan)

    def hour(self, t_ms: IntArray, place: IntArray) -> IntArray:
        """Return the hour of the site's clock at each instant, by the offset as its UTC day begins."""
        offsets = np.zeros(self.count + 1, dtype=np.int64)
        if self.zone is not None:
            for number, day_ms in enumerate(self.day_ms.tolist()):
                offset = datetime_of(float(day_ms)).astimezone(self.zone).utcoffset()
                offsets[number] = 0 if offset is None else round(offset.total_seconds() * 1000.0)
        return np.asarray((t_ms + offsets[place]) // HOUR_MS % 24, dtype=np.int64)


def ratio(over: FloatArray, under: FloatArray) -> FloatArray:
    """Return a quotient, NaN where nothing would be divided by."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(under > 0.0, over / under, np.nan), dtype=np.float64)


def between_hours(hour: IntArray, first: int, last: int) -> BoolArray:
    """Return where an hour of the day lies in ``[first, last)``, across midnight where first is the later."""
    if first <= last:
        return np.asarray((hour >= first) & (hour < last), dtype=np.bool_)
    return np.asarray((hour >= first) | (hour < last), dtype=np.bool_)
