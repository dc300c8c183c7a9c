"""How fast a cabinet warms while its machine stands and cools while it runs, stretch by stretch."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray, Frame, Runs
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

OFF_SKIP_MS = 5 * MINUTE_MS
"""After a stop the evaporator is still cold, and the air alone warms first (judgement)."""
ON_SKIP_MS = 2 * MINUTE_MS
"""After a start the evaporator has to cool down first (judgement)."""
FEWEST_POINTS = 3
NEAREST_K = 5.0
"""With the air no further than this above the cabinet no share of the difference is told (judgement)."""


@dataclass(frozen=True)
class Turns:
    """One row for each stretch of one state."""

    start_ms: IntArray
    hours: FloatArray
    on: BoolArray
    whole: BoolArray
    """Both ends were seen."""
    rate_k_per_h: FloatArray
    """Slope of the cabinet, its first minutes left out; NaN with fewer than three readings."""
    mean_c: FloatArray
    """Cabinet over the same readings."""
    ambient_c: FloatArray
    """Air around the unit over the same readings."""
    rise_k: FloatArray
    """From its first to its last reading, the next stretch's first included."""


@dataclass(frozen=True)
class _Stretches:
    """The samples of many stretches ``[first, end)``, one after the other."""

    sample: IntArray
    stretch: IntArray
    count: int

    @staticmethod
    def of(first: IntArray, end: IntArray) -> "_Stretches":
        length = np.maximum(end - first, 0)
        before = np.cumsum(length) - length
        sample = np.arange(int(np.sum(length))) + np.repeat(first - before, length)
        return _Stretches(sample, np.repeat(np.arange(first.size), length), int(first.size))

    def total(self, values: FloatArray, known: BoolArray) -> FloatArray:
        found = np.bincount(self.stretch[known], weights=values[known], minlength=self.count)
        return found.astype(np.float64)

    def mean(self, values: FloatArray) -> FloatArray:
        """Return the mean of known values of each stretch; NaN without any."""
        mine = values[self.sample]
        known = np.isfinite(mine)
        n = np.bincount(self.stretch[known], minlength=self.count)
        return np.where(n > 0, self.total(mine, known) / np.maximum(n, 1), np.nan)

    def slope_per_h(self, t_ms: IntArray, values: FloatArray) -> FloatArray:
        """Return the least-squares slope of each stretch [unit/h]; NaN with fewer than three readings."""
        mine, hours = values[self.sample], t_ms[self.sample] / HOUR_MS
        known = np.isfinite(mine)
        n = np.bincount(self.stretch[known], minlength=self.count)
        shared = np.maximum(n, 1)
        x = hours - (self.total(hours, known) / shared)[self.stretch]
        y = mine - (self.total(mine, known) / shared)[self.stretch]
        across, along = self.total(x * y, known), self.total(x * x, known)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where((n >= FEWEST_POINTS) & (along > 0.0), across / along, np.nan)


def turns_of(frame: Frame, runs: Runs) -> Turns:
    """Return every stretch of one state with its rate.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.
    """
    skip = np.where(runs.on, ON_SKIP_MS, OFF_SKIP_MS)
    first = np.searchsorted(frame.t_ms, runs.start_ms + skip)
    # the first reading of the next stretch still belongs to what this one did
    last = np.where(runs.joined, np.minimum(runs.last + 1, len(frame) - 1), runs.last)
    read = _Stretches.of(first, last + 1)
    begun = np.concatenate([[False], runs.joined[:-1]]) if runs.on.size else runs.joined
    return Turns(
        start_ms=runs.start_ms,
        hours=(runs.end_ms - runs.start_ms) / HOUR_MS,
        on=runs.on,
        whole=begun & runs.joined,
        rate_k_per_h=read.slope_per_h(frame.t_ms, frame.cabinet_c),
        mean_c=read.mean(frame.cabinet_c),
        ambient_c=read.mean(frame.ambient_c),
        rise_k=frame.cabinet_c[last] - frame.cabinet_c[runs.first] if runs.on.size else np.empty(0),
    )


def warm_up_per_h(off_k_per_h: FloatArray, gap_k: FloatArray) -> FloatArray:
    """Return heat gain over heat capacity from the rate of warming: ``dT/dt|off = UA (Ta - T) / C`` [1/h].

    Parameters
    ----------
    off_k_per_h : (n,) float64
        Rate while the machine stands. [K/h]
    gap_k : (n,) float64
        Air less cabinet meanwhile; NaN is returned below `NEAREST_K`. [K]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(gap_k >= NEAREST_K, off_k_per_h / gap_k, np.nan)


def cooling_k_per_h(off_k_per_h: FloatArray, on_k_per_h: FloatArray) -> FloatArray:
    """Return cooling capacity over heat capacity [K/h].

    ``dT/dt|on = [UA (Ta - T) - Q] / C``: what the cabinet loses while the machine runs, and what it would
    have gained meanwhile without it. Both at about the same difference to the air.

    Parameters
    ----------
    off_k_per_h, on_k_per_h : (n,) float64
        Rate of warming while it stands, and of cooling while it runs, both positive. [K/h]
    """
    return np.asarray(off_k_per_h + on_k_per_h, dtype=np.float64)


def capacity_ratio_k(off_k_per_h: FloatArray, on_k_per_h: FloatArray, gap_k: FloatArray) -> FloatArray:
    """Return cooling capacity over heat gain, Q / UA, without knowing the heat capacity [K].

    Parameters
    ----------
    off_k_per_h, on_k_per_h : (n,) float64
        Rates as in `cooling_k_per_h`. [K/h]
    gap_k : (n,) float64
        Air less cabinet. [K]
    """
    gained = warm_up_per_h(off_k_per_h, gap_k)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(gained > 0.0, cooling_k_per_h(off_k_per_h, on_k_per_h) / gained, np.nan)
