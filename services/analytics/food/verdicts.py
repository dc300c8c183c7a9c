"""From minutes to the ladder, for many as-of times at once, and the words that say why."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from services.analytics.food.intervals import Intervals
from services.analytics.food.limit import Limit
from services.domain import Verdict
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

BoolArray = npt.NDArray[np.bool_]

CLOCK_MS = 72 * HOUR_MS
"""Without a recorded load-in the clock covers this much (design decision "verdicts")."""
STANDING_MIN = 30.0
"""Air that has stood above a limit this long without a break is worth a look; a cabinet that cycles
around its set point comes back sooner (judgement, no source)."""
SAME_MIN = 1e-6
"""Minutes closer than this are the same: times are kept in milliseconds."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one limit's clock is made of; times in ms."""

    above: Intervals
    unknown: Intervals
    expected: Intervals
    """Where samples are known to exist that have not arrived."""
    hot: Intervals
    """When the air around the food was above 32.2 °C."""
    sample_ms: IntArray
    heard_ms: int | None
    """Since when there has been somebody to listen to; None when nothing was ever heard."""
    gap_ms: float


@dataclass(frozen=True, slots=True)
class Minutes:
    """What a clock shows at each as-of time."""

    from_ms: FloatArray
    above: FloatArray
    unknown: FloatArray
    """Without the time in which samples are expected."""
    silent: BoolArray
    awaited: BoolArray
    hot: BoolArray

    @property
    def worst_case(self) -> FloatArray:
        """Minutes above, were all unknown time above."""
        return self.above + self.unknown


def begin_ms(
    evidence: Evidence, as_of_ms: FloatArray, *, clock_from_ms: int | None, reach_ms: float = CLOCK_MS
) -> FloatArray:
    """Return since when the clock counts that each as-of time shows: never before somebody listened."""
    heard = evidence.heard_ms
    begin = as_of_ms if heard is None else np.maximum(as_of_ms - reach_ms, float(heard))
    if clock_from_ms is not None:
        begin = np.maximum(begin, float(clock_from_ms))
    return np.minimum(begin, as_of_ms)


def minutes_at(
    evidence: Evidence, as_of_ms: FloatArray, *, clock_from_ms: int | None, reach_ms: float = CLOCK_MS
) -> Minutes:
    """Return the minutes of one clock as each as-of time would have shown them, `reach_ms` back.

    Only samples up to the as-of time count; silence from the last of them is unknown in full where
    it is longer than the gap limit, and not counted where it is not.
    """
    begin = begin_ms(evidence, as_of_ms, clock_from_ms=clock_from_ms, reach_ms=reach_ms)
    times = evidence.sample_ms
    newest = np.searchsorted(times, as_of_ms, side="right") - 1
    last = as_of_ms if evidence.heard_ms is None else np.minimum(float(evidence.heard_ms), as_of_ms)
    if times.size:
        last = np.where(newest >= 0, times[np.maximum(newest, 0)].astype(np.float64), last)
    silent = (as_of_ms - last > evidence.gap_ms) | (newest < 0)
    until = np.maximum(last, begin)
    tail = (as_of_ms - until) / MINUTE_MS - evidence.expected.minutes_between(until, as_of_ms)
    tail = np.where(silent, np.maximum(0.0, tail), 0.0)
    unknown = evidence.unknown.without(evidence.expected).minutes_between(begin, until)
    return Minutes(
        from_ms=begin,
        above=evidence.above.minutes_between(begin, until),
        unknown=unknown + tail,
        silent=silent,
        awaited=evidence.expected.minutes_between(begin, as_of_ms) > 0,
        hot=evidence.hot.minutes_between(begin, until) > 0,
    )


def ranks(limit: Limit, minutes: Minutes, *, coarse: bool) -> IntArray:
    """Return the rung of the ladder at each as-of time.

    Watch from the first minute above or unknown; no_data while the unit is silent or samples are
    awaited; hold once minutes above and unknown together reach the limit's hold time; discard
    advised once the minutes above alone reach its discard time. Unknown time never reaches discard,
    and a limit's cap bounds what the minutes lead to, never that nothing is known.
    """
    passed = minutes.worst_case > SAME_MIN
    rank = np.where(passed | coarse, Verdict.WATCH.rank, Verdict.OK.rank)
    hold = np.where(minutes.hot, limit.hot_hold_min, limit.hold_min)
    rank = np.where(minutes.worst_case >= hold - SAME_MIN, Verdict.HOLD.rank, rank)
    if limit.discard_min is not None and limit.hot_discard_min is not None:
        discard = np.where(minutes.hot, limit.hot_discard_min, limit.discard_min)
        rank = np.where(minutes.above >= discard - SAME_MIN, Verdict.DISCARD_ADVISED.rank, rank)
    rank = np.minimum(rank, Verdict(limit.cap).rank)
    return np.where(minutes.silent | minutes.awaited, np.maximum(rank, Verdict.NO_DATA.rank), rank).astype(
        np.int64
    )


def standing_min(evidence: Evidence, as_of_ms: FloatArray) -> FloatArray:
    """Return for how many minutes the air has stood above the limit without a break up to each as-of time."""
    found = np.zeros(as_of_ms.shape)
    above = evidence.above
    if not len(above) or not evidence.sample_ms.size:
        return found
    newest = np.searchsorted(evidence.sample_ms, as_of_ms, side="right") - 1
    last = evidence.sample_ms[np.maximum(newest, 0)].astype(np.float64)
    k = np.searchsorted(above.start_ms, last, side="left") - 1
    start, end = above.start_ms[np.maximum(k, 0)], above.end_ms[np.maximum(k, 0)]
    heard = (newest >= 0) & (as_of_ms - last <= evidence.gap_ms)
    return np.where(heard & (k >= 0) & (last <= end), (last - start) / MINUTE_MS, 0.0)


def standing(evidence: Evidence, as_of_ms: FloatArray) -> BoolArray:
    """Return whether the air has stood above the limit without a break for 30 min up to each as-of time."""
    return np.asarray(standing_min(evidence, as_of_ms) >= STANDING_MIN - SAME_MIN)


def at(verdict_rank: int) -> Verdict:
    """Return the verdict of a rung."""
    return tuple(Verdict)[verdict_rank]


def degrees(limit_c: float) -> str:
    """Return a limit in words, at most two decimals."""
    return f"{round(limit_c, 2):g} °C".replace("-", "−")  # noqa: RUF001 - a minus, not a hyphen


def _minutes(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes >= 1 else "less than a minute"


def why(limit: Limit, minutes: Minutes, verdict: Verdict, *, basis: str, coarse: bool) -> str:
    """Return one entry's reason in plain words, for one as-of time."""
    side = "below" if limit.below else "above"
    above, unknown = float(minutes.above[0]), float(minutes.unknown[0])
    doubt = unknown > SAME_MIN or bool(minutes.silent[0]) or bool(minutes.awaited[0])
    if above > SAME_MIN:
        told = [f"{basis} {side} {degrees(limit.limit_c)} for {_minutes(above)}"]
    elif doubt:
        told = [f"not known whether {basis} was {side} {degrees(limit.limit_c)}"]
    else:
        told = [f"{basis} never {side} {degrees(limit.limit_c)}"]
    if unknown > SAME_MIN:
        told.append(f"{_minutes(unknown)} unknown")
    if bool(minutes.awaited[0]):
        told.append("samples are still to arrive")
    elif bool(minutes.silent[0]):
        told.append("nothing heard at the moment")
    if coarse:
        told.append("logged too coarsely")
    if bool(minutes.hot[0]):
        told.append("air around the food above 32.2 °C")
    if limit.lawful_min > 0 and SAME_MIN < above <= limit.lawful_min + SAME_MIN:
        told.append(f"within the {limit.lawful_min:g} min that this rule allows")
    elif limit.words and above > SAME_MIN:
        told.append(limit.words)
    if verdict is Verdict.HOLD:
        told.append("a named person probes and decides")
    return "; ".join(told)
