"""What the other units on a bank draw: their own duties, as their own logs show them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import frame_of
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS


@dataclass(frozen=True)
class BankLoad:
    """Hourly mean currents drawn by all other units of a bank together."""

    hour_ms: IntArray
    """(m,) Starts of whole hours, strictly increasing. [ms]"""
    amps: FloatArray
    """(m,) Mean current of each hour; an hour nobody knows has the mean of the known ones. [A]"""
    by_hour_a: FloatArray
    """(24,) Usual current by UTC hour. [A]"""
    units: int
    """How many units that is."""

    def at(self, t_ms: IntArray) -> FloatArray:
        """Return the current at some instants; outside the known hours the usual one of the hour [A]."""
        usual = self.by_hour_a[np.asarray(t_ms // HOUR_MS % 24, dtype=np.int64)]
        if self.hour_ms.size == 0:
            return np.asarray(usual, dtype=np.float64)
        place = np.searchsorted(self.hour_ms, t_ms, side="right") - 1
        held = np.maximum(place, 0)
        inside = (place >= 0) & (t_ms - self.hour_ms[held] < HOUR_MS)
        return np.asarray(np.where(inside, self.amps[held], usual), dtype=np.float64)

    def amps_ahead(self, from_ms: int, hours: FloatArray) -> FloatArray:
        """Return the current expected some hours after an instant: the usual one of the hour [A]."""
        hour = ((from_ms + hours * HOUR_MS) // HOUR_MS % 24).astype(np.int64)
        return np.asarray(self.by_hour_a[hour], dtype=np.float64)


def hourly_current(
    t_ms: IntArray, held_ms: IntArray, amps: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return whole hours, the mean current in each, and how much of each was seen.

    Parameters
    ----------
    t_ms : (n,) int64
        Sample times, increasing. [ms]
    held_ms : (n,) int64
        How long each sample's current held. [ms]
    amps : (n,) float64
        [A]
    """
    hour = t_ms // HOUR_MS
    if hour.size == 0:
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    first = int(hour[0])
    seen = np.bincount(hour - first, weights=held_ms)
    drawn = np.bincount(hour - first, weights=held_ms * amps)
    some = seen > 0
    hours = np.asarray((first + np.flatnonzero(some)) * HOUR_MS, dtype=np.int64)
    return hours, drawn[some] / seen[some], np.asarray(seen[some], dtype=np.float64)


def drawn_by_hour(series: Series, settings: UnitSettings) -> tuple[IntArray, FloatArray]:
    """Return whole hours and the mean current a unit drew in each: measured, else what it draws while on.

    Parameters
    ----------
    series : Series
        The unit's samples, times strictly increasing.
    settings : UnitSettings
        Of that unit.

    Returns
    -------
    tuple of (m,) int64 and (m,) float64
        Starts of the hours [ms], and currents [A].
    """
    frame = frame_of(series, settings, None)
    counted = np.where(frame.on, settings.running_a, 0.0)
    amps = np.where(np.isfinite(frame.current_a), frame.current_a, counted)
    hours, mean_a, _ = hourly_current(frame.t_ms, frame.held_ms, amps)
    return hours, mean_a


def joined(parts: Sequence[tuple[IntArray, FloatArray]]) -> BankLoad | None:
    """Return what several units draw together from their hourly currents; None without any.

    Where one unit's hour is missing, the mean of that hour of the day stands in, else its own mean. Whoever
    drew more in the last day than usual is expected to go on so: a unit that stood off for days tells little
    of what it draws since it was switched on.
    """
    known = [(hours, amps) for hours, amps in parts if hours.size]
    if not known:
        return None
    first = min(int(hours[0]) for hours, _ in known)
    last = max(int(hours[-1]) for hours, _ in known)
    every = np.arange(first, last + 1, HOUR_MS, dtype=np.int64)
    hour_of_day = every // HOUR_MS % 24
    total, usual_total = np.zeros(every.size), np.zeros(24)
    for hours, amps in known:
        of_day = hours // HOUR_MS % 24
        count = np.bincount(of_day, minlength=24)
        mean = float(np.mean(amps))
        usual = np.where(
            count > 0, np.bincount(of_day, weights=amps, minlength=24) / np.maximum(count, 1), mean
        )
        own = usual[hour_of_day]
        own[(hours - first) // HOUR_MS] = amps
        total += own
        usual_total += usual + max(0.0, float(np.mean(amps[hours > hours[-1] - DAY_MS])) - mean)
    return BankLoad(every, total, usual_total, len(known))
