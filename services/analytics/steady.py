"""What one more reading can be told by at once, and what asks for a look at all that came before it."""

from dataclasses import dataclass, replace

import numpy as np

from services.analytics.channel_faults import (
    JUMP_K,
    JUMP_MS,
    STUCK_MS,
    STUCK_READINGS,
    TREMBLE_K,
    TREMBLE_READINGS,
    TREMBLE_SHARE,
)
from services.analytics.power.threshold import ABOVE_CUTOUT_V
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import HOUR_MS

WORDS = ("fault", "supply")
NUMBERS = ("cutout_v", "set_point_c")
"""Columns that say how a unit is set or fed: a new word or number is a new situation."""


@dataclass(frozen=True, slots=True)
class Steady:
    """One temperature channel up to its newest reading; every reading in it was found sound."""

    t_ms: int
    value_c: float
    step_ms: int
    step_c: float
    """Of the newest reading from the one before it."""
    unmoved_since_ms: int
    unmoved: int
    """Readings of the newest value, one after the other."""
    lowest_c: float
    highest_c: float
    digit_k: float
    """Least step seen."""
    stood: bool
    """Whether it has ever stood still for long: what else it does then tells whether it was stuck."""
    hour: int
    near: int
    off: int
    """Readings of this hour with near neighbours on both sides, and those beside the line through these."""

    @staticmethod
    def of(t_ms: IntArray, value_c: FloatArray, *, break_ms: float) -> "Steady | None":
        """Return where a channel stands after its finite readings; None where there are too few to say."""
        known = np.isfinite(value_c)
        times, values = t_ms[known], value_c[known]
        if values.size < 3:  # noqa: PLR2004 - a reading and its two neighbours
            return None
        steps, spacing = np.diff(values), np.diff(times)
        moved = (steps != 0) | (spacing > break_ms)
        begins = np.concatenate(([0], np.flatnonzero(moved) + 1))
        ends = np.append(begins[1:], values.size) - 1
        sizes = np.abs(steps)
        hour = times[1:-1] // HOUR_MS
        recent = hour == hour[-1]
        near = recent & (spacing[:-1] <= JUMP_MS) & (spacing[1:] <= JUMP_MS)
        off = near & (np.abs(np.diff(steps)) >= TREMBLE_K)
        return Steady(
            t_ms=int(times[-1]),
            value_c=float(values[-1]),
            step_ms=int(spacing[-1]),
            step_c=float(steps[-1]),
            unmoved_since_ms=int(times[begins[-1]]),
            unmoved=int(values.size - begins[-1]),
            lowest_c=float(values.min()),
            highest_c=float(values.max()),
            digit_k=float(np.min(sizes[sizes > 0], initial=np.inf)),
            stood=bool((times[ends] - times[begins] >= STUCK_MS).any()),
            hour=int(hour[-1]),
            near=int(near.sum()),
            off=int(off.sum()),
        )

    def after(self, t_ms: int, value_c: float) -> "Steady | None":
        """Return the same one reading later; None where the sensor itself may have to be doubted.

        It errs on the side of doubt: less is enough here than makes a flag where all is looked at.
        """
        spacing, step = t_ms - self.t_ms, value_c - self.value_c
        unmoved = 1 if step else self.unmoved + 1
        since_ms = t_ms if step else self.unmoved_since_ms
        if unmoved >= STUCK_READINGS and t_ms - since_ms >= STUCK_MS:
            return None
        new_here = not self.lowest_c <= value_c <= self.highest_c or 0 < abs(step) < self.digit_k
        if abs(step) >= JUMP_K or (self.stood and new_here):
            return None
        hour, near, off = self._beside_line(spacing, step)
        if _trembles(self.near, self.off) or _trembles(near, off):
            return None
        return replace(
            self,
            t_ms=t_ms,
            value_c=value_c,
            step_ms=spacing,
            step_c=step,
            unmoved_since_ms=since_ms,
            unmoved=unmoved,
            lowest_c=min(self.lowest_c, value_c),
            highest_c=max(self.highest_c, value_c),
            digit_k=min(self.digit_k, abs(step)) if step else self.digit_k,
            hour=hour,
            near=near,
            off=off,
        )

    def _beside_line(self, spacing_ms: int, step_c: float) -> tuple[int, int, int]:
        """Return the counts of the hour of the reading that now has neighbours on both sides."""
        hour = self.t_ms // HOUR_MS
        near, off = (self.near, self.off) if hour == self.hour else (0, 0)
        if spacing_ms <= JUMP_MS and self.step_ms <= JUMP_MS:
            near += 1
            off += abs(step_c - self.step_c) >= TREMBLE_K - 1e-9
        return hour, near, off


def _trembles(near: int, off: int) -> bool:
    return near >= TREMBLE_READINGS and off >= TREMBLE_SHARE * near


@dataclass(frozen=True, slots=True)
class Supplied:
    """What a unit last said of its supply and its compressor."""

    battery: bool
    cutout_v: float
    near_v: float
    """A stop at or below this may be a cut-out."""
    cut_out: bool
    on: bool | None
    volts: float | None
    said: tuple[float | str | None, ...]
    """Newest of each of `WORDS` and `NUMBERS`."""

    @staticmethod
    def of(series: Series, settings: UnitSettings, *, cut_out: bool) -> "Supplied":
        """Return what the samples say last."""
        said = (*(_last_word(series, name) for name in WORDS), *(_last(series, name) for name in NUMBERS))
        reported, on = said[len(WORDS)], _last(series, "compressor_on")
        known = settings.default_cutout_v if settings.cutout_v is None else settings.cutout_v
        cutout_v = reported if isinstance(reported, float) and reported > 0 else known
        return Supplied(
            battery=settings.has_battery,
            cutout_v=cutout_v,
            near_v=cutout_v + ABOVE_CUTOUT_V * settings.nominal_v / 12,
            cut_out=cut_out,
            on=None if on is None else on > 0.5,  # noqa: PLR2004 - between 0 and 1
            volts=_last(series, "battery_v"),
            said=said,
        )

    def after(self, row: Series) -> "Supplied | None":
        """Return the same one sample later; None where a cut-out, its end or another supply may show."""
        said = (*(_last_word(row, name) for name in WORDS), *(_last(row, name) for name in NUMBERS))
        if any(new is not None and new != old for new, old in zip(said, self.said, strict=True)):
            return None
        volts = _last(row, "battery_v")
        volts = self.volts if volts is None else volts
        turned = _last(row, "compressor_on")
        on = self.on if turned is None else turned > 0.5  # noqa: PLR2004 - between 0 and 1
        if self.cut_out and on and not self.on:
            return None
        if self.battery and volts is not None and self._low(volts, on=on):
            return None
        return replace(self, on=on, volts=volts)

    def _low(self, volts: float, *, on: bool | None) -> bool:
        """Return whether the voltage passed the cut-out, or a run ended near it."""
        before = volts if self.volts is None else self.volts
        if (before < self.cutout_v) != (volts < self.cutout_v):
            return True
        return bool(self.on and not on and min(before, volts) <= self.near_v)


def _last(series: Series, column: str) -> float | None:
    values = series.numbers(column)
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else None


def _last_word(series: Series, column: str) -> str | None:
    return next((str(word) for word in reversed(series.texts(column)) if word is not None), None)
