"""Limits over time: which applied when, and the minutes above each when settings changed on the way."""

from collections.abc import Sequence
from dataclasses import dataclass

from services.analytics.food.entries import Readings
from services.analytics.food.exposure import line_parts
from services.analytics.food.intervals import Intervals
from services.analytics.food.limit import Limit
from services.analytics.food.rules import limits_of
from services.domain import UnitSettings


@dataclass(frozen=True, slots=True)
class LimitPeriod:
    """One limit and the span it was in force."""

    limit: Limit
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class LimitMinutes:
    """Minutes beyond one limit over a whole event, and in the part it was in force for."""

    period: LimitPeriod
    minutes_above: float
    minutes_unknown: float
    minutes_above_in_force: float


def limit_periods(
    described: Sequence[tuple[int, UnitSettings]], *, from_ms: int, to_ms: int
) -> tuple[LimitPeriod, ...]:
    """Return every limit with the span it was in force, where settings were described anew on the way.

    Parameters
    ----------
    described : sequence of (int, UnitSettings)
        From when each description counts, in order of time; the first reaches back to `from_ms`.
    from_ms, to_ms : int
        The event. [ms since 1970-01-01 UTC]

    Returns
    -------
    tuple of LimitPeriod
        A limit that a change left as it was has one period, not two.
    """
    open_: dict[Limit, int] = {}
    found: list[LimitPeriod] = []
    for index, (since_ms, settings) in enumerate(described):
        begin = from_ms if index == 0 else min(max(since_ms, from_ms), to_ms)
        now = dict.fromkeys(limits_of(settings).limits)
        found += [LimitPeriod(limit, start, begin) for limit, start in open_.items() if limit not in now]
        open_ = {limit: open_.get(limit, begin) for limit in now}
    found += [LimitPeriod(limit, start, to_ms) for limit, start in open_.items()]
    return tuple(
        sorted(
            (p for p in found if p.to_ms > p.from_ms),
            key=lambda p: (p.from_ms, p.limit.rule, p.limit.limit_c),
        )
    )


def minutes_of_each(
    readings: Readings, periods: Sequence[LimitPeriod], *, from_ms: int, to_ms: int, gap_ms: float
) -> tuple[LimitMinutes, ...]:
    """Return the minutes beyond each limit over an event, whichever was in force at the time.

    Parameters
    ----------
    readings : Readings
        One temperature over time. [ms since 1970-01-01 UTC, °C]
    periods : sequence of LimitPeriod
        From `limit_periods`.
    from_ms, to_ms : int
        The event. [ms]
    gap_ms : float
        The longest pair a line is drawn across. [ms]
    """
    found = []
    for period in periods:
        sign = -1.0 if period.limit.below else 1.0
        parts = line_parts(
            readings.t_ms, sign * readings.value_c, limit_c=sign * period.limit.limit_c, gap_ms=gap_ms
        )
        found.append(
            LimitMinutes(
                period=period,
                minutes_above=_minutes(parts.above, from_ms, to_ms),
                minutes_unknown=_minutes(parts.unknown, from_ms, to_ms),
                minutes_above_in_force=_minutes(parts.above, period.from_ms, period.to_ms),
            )
        )
    return tuple(found)


def _minutes(spans: Intervals, from_ms: int, to_ms: int) -> float:
    return float(spans.minutes_between(float(from_ms), float(to_ms)))
