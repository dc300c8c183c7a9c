"""A few core readings by hand, joined by straight lines."""

from collections.abc import Iterable
from itertools import pairwise

from services.timebase import MINUTE_MS

CoreReading = tuple[int, float]
"""When, and the core temperature then. [ms since 1970-01-01 UTC, °C]"""


def ordered(readings: Iterable[CoreReading], *, until_ms: int) -> list[CoreReading]:
    """Return the readings up to a moment in order of time; of equal times the warmest stands."""
    warmest: dict[int, float] = {}
    for t_ms, core_c in readings:
        if t_ms <= until_ms:
            warmest[t_ms] = max(core_c, warmest.get(t_ms, core_c))
    return sorted(warmest.items())


def first_above_ms(readings: Iterable[CoreReading], limit_c: float) -> float | None:
    """Return when the line first leaves a limit upwards, None when no reading lies above it."""
    before: CoreReading | None = None
    for t_ms, core_c in readings:
        if core_c > limit_c:
            return float(t_ms) if before is None else _crossing_ms(before, (t_ms, core_c), limit_c)
        before = (t_ms, core_c)
    return None


def reached_ms(readings: Iterable[CoreReading], limit_c: float) -> float | None:
    """Return when the line last comes down to a limit; None while the newest reading lies above it.

    Food cools fast first and slowly later, so the straight line comes down no earlier than the food.
    """
    rows = list(readings)
    if not rows or rows[-1][1] > limit_c:
        return None
    for before, after in reversed(list(pairwise(rows))):
        if before[1] > limit_c:
            return _crossing_ms(before, after, limit_c)
    return float(rows[0][0])


def minutes_above(readings: Iterable[CoreReading], limit_c: float, *, until_ms: int) -> float:
    """Return the minutes above a limit; after the newest reading food stays as warm as it was."""
    rows = list(readings)
    if not rows:
        return 0.0
    total_ms = 0.0
    for before, after in pairwise([*rows, (max(until_ms, rows[-1][0]), rows[-1][1])]):
        over = before[1] > limit_c, after[1] > limit_c
        if all(over):
            total_ms += after[0] - before[0]
        elif any(over):
            cross_ms = _crossing_ms(before, after, limit_c)
            total_ms += after[0] - cross_ms if over[1] else cross_ms - before[0]
    return total_ms / MINUTE_MS


def _crossing_ms(before: CoreReading, after: CoreReading, limit_c: float) -> float:
    share = (limit_c - before[1]) / (after[1] - before[1])
    return before[0] + share * (after[0] - before[0])
