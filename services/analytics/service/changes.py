"""Whether a number of every day has left where it used to be, since when, and by how much."""

from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from services.telemetry import FloatArray, IntArray

SLACK = 0.5
"""Reference value k of the CUSUM: half of the shift of one standard deviation that it is quickest for."""
ALARM = 8.0
"""Decision interval h. At the usual 5 one number a day alarms falsely every 465 days (two-sided, k 0.5;
Montgomery, Introduction to Statistical Quality Control, from memory), which is every week in a fleet of
sixty; 8 makes it thousands of days (judgement)."""
WEIGHT, LIMIT = 0.2, 2.7
"""Smoothing and width of the EWMA chart (Montgomery, from memory)."""
MOST_Z = 4.0
"""One odd day counts no more than this many standard deviations (judgement)."""
RECENT = 5
"""Days whose middle says where a number stands now (judgement)."""
AT_ONCE_SHARE = 0.6
"""Of the whole change, what the first days after it must show for it to have come at once (judgement)."""
AWAY_SHARE = 0.3
"""Of the whole change, what every level since it began must show (judgement)."""
BEYOND_SHARE = 0.4
"""Of the least change that is told, how far beyond its own range a number must be (judgement)."""
_TO_SD = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """Where a number was while nothing was known to be wrong."""

    middle: float
    sd: float
    low: float
    high: float
    """Lowest and highest middle of some days in a row: how far it goes by itself, frost and all."""
    days: int


@dataclass(frozen=True, slots=True)
class Move:
    """A number that has moved for good, as far as can be seen."""

    up: bool
    now: float
    """Middle of the last days."""
    baseline: Baseline
    since: int
    """Index of the first day after the change."""
    step: bool
    """Within a few days, rather than over weeks."""
    cusum: float
    """How far past the alarm line it is, in standard deviations summed."""

    @property
    def by(self) -> float:
        """How far from its middle."""
        return self.now - self.baseline.middle


def baseline_of(values: FloatArray, *, least_sd: float, run: int = RECENT) -> Baseline:
    """Return a robust middle and spread, the spread at least `least_sd`.

    Parameters
    ----------
    values : (n,) float64
        Of the days to compare with, free of NaN, at least `run`.
    least_sd : float
        A spread no number of this kind is known better than.
    run : int
        How many days in a row its range is told from.
    """
    middle = float(np.median(values))
    spread = _TO_SD * float(np.median(np.abs(values - middle)))
    runs = np.median(np.lib.stride_tricks.sliding_window_view(values, run), axis=1)
    return Baseline(middle, max(spread, least_sd), float(runs.min()), float(runs.max()), int(values.size))


def cusum(z: FloatArray, *, slack: float = SLACK) -> tuple[FloatArray, FloatArray]:
    """Return the upper and the lower one-sided cumulative sums.

    Parameters
    ----------
    z : (n,) float64
        Standardised, free of NaN.
    slack : float
        Reference value k.

    Returns
    -------
    upper, lower : (n,) float64
        ``C+ = max(0, C+ + z - k)`` and ``C- = max(0, C- - z - k)``, both from nothing.
    """

    def one_sided(steps: FloatArray) -> FloatArray:
        # max(0, C + step) is the running sum less the lowest it has been, nothing at the start included
        total = np.cumsum(steps)
        return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0), dtype=np.float64)

    return one_sided(z - slack), one_sided(-z - slack)


def ewma(z: FloatArray, *, weight: float = WEIGHT, width: float = LIMIT) -> tuple[FloatArray, FloatArray]:
    """Return the exponentially weighted mean and its control limit at every step.

    Parameters
    ----------
    z : (n,) float64
        Standardised, free of NaN.
    weight, width : float
        λ and L of the chart.

    Returns
    -------
    mean, limit : (n,) float64
        Alarm where the mean is further from 0 than the limit ``L sqrt(λ/(2-λ) (1 - (1-λ)^(2i)))``.
    """
    told = accumulate(z.tolist(), lambda before, now: weight * now + (1.0 - weight) * before, initial=0.0)
    mean = np.fromiter(told, dtype=np.float64, count=z.size + 1)[1:]
    i = np.arange(1, z.size + 1, dtype=np.float64)
    return mean, width * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2.0 * i)))


def run_began(sums: FloatArray) -> int:
    """Return where the sum that stands at the end last left nothing: the usual estimate of the change."""
    nothing = np.flatnonzero(sums <= 0.0)
    return int(nothing[-1]) + 1 if nothing.size else 0


def breaks(z: FloatArray, *, fewest: int = RECENT) -> IntArray:
    """Return where the level of a series changes: exact search, least squares, for a price per change.

    Parameters
    ----------
    z : (n,) float64
        Standardised, free of NaN.
    fewest : int
        Days between two changes.

    Returns
    -------
    (k,) int64
        First index after each change.
    """
    import ruptures  # noqa: PLC0415 - two seconds that only a search for changes pays

    if z.size < 2 * fewest:
        return np.empty(0, dtype=np.int64)
    price = 3.0 * np.log(z.size) * max(1.0, float(np.var(np.diff(z))) / 2.0)
    # its linear kernel is the least-squares cost, searched exactly (Pelt) in compiled code
    found = ruptures.KernelCPD(kernel="linear", min_size=fewest).fit(z.reshape(-1, 1)).predict(pen=price)
    return np.array(found[:-1], dtype=np.int64)


def move_of(
    values: FloatArray, baseline: Baseline, *, least: float, doubt: float = 0.0, dated: bool = True
) -> Move | None:
    """Return whether a number has left its baseline and is still away.

    Parameters
    ----------
    values : (n,) float64
        The days after the baseline, free of NaN, in order.
    baseline : Baseline
        Where it was.
    least : float
        A smaller change is of no use to anybody.
    doubt : float
        How far a number may be off by what else has changed since the baseline.
    dated : bool
        Whether to search for the day of the change; else the CUSUM's own estimate must do.

    Returns
    -------
    Move or None
        Where the CUSUM alarms, the EWMA says that it is so still, and the last days are further from the
        baseline's middle than `least` and beyond anything the baseline itself did.
    """
    if values.size < RECENT:
        return None
    z = np.clip((values - baseline.middle) / baseline.sd, -MOST_Z, MOST_Z)
    now = float(np.median(values[-RECENT:]))
    up = now > baseline.middle
    beyond = now - baseline.high if up else baseline.low - now
    if abs(now - baseline.middle) < least or beyond < BEYOND_SHARE * least + doubt:
        return None
    sums = cusum(z)[0 if up else 1]
    mean, limit = ewma(z)
    if sums[-1] <= ALARM or abs(float(mean[-1])) <= float(limit[-1]) or (mean[-1] > 0.0) != up:
        return None
    since, step = _began(z, sums, up=up) if dated else (run_began(sums), False)
    return Move(up, now, baseline, since, step, float(sums[-1]))


def _began(z: FloatArray, sums: FloatArray, *, up: bool) -> tuple[int, bool]:
    """Return when the change began, and whether it came at once: one level before it, one after."""
    began, sign = run_began(sums), 1.0 if up else -1.0
    whole = sign * float(np.median(z[-RECENT:]))
    changes = [place for place in breaks(z).tolist() if place >= began - RECENT]
    for k, place in enumerate(changes):
        levels = [
            sign * float(np.median(z[low:high]))
            for low, high in zip(changes[k:], [*changes[k + 1 :], z.size], strict=True)
        ]
        if min(levels) >= AWAY_SHARE * whole:  # from here on it has stayed away
            soon = sign * float(np.median(z[place : place + RECENT]))
            return place, len(levels) == 1 and soon >= AT_ONCE_SHARE * whole
    return began, False
