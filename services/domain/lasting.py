"""Whether a unit still runs at a moment somebody asks about, read from a run-out already worked out."""

from bisect import bisect_right

from services.domain._analysis import LastsUntil, Runout
from services.timebase import HOUR_MS

CHANCES = (0.99, *(round(0.95 - 0.05 * k, 2) for k in range(19)), 0.01)
"""Chances for which a run-out keeps how long the unit lasts."""
HORIZON_H = 168.0
"""Nobody is told of a moment further ahead. [h]"""
_CANNOT_TELL = frozenset({"not_enough_data", "no_battery"})


def chance_until(runout: Runout, at_ms: int, *, as_of_ms: int) -> float | None:
    """Return the chance that a unit still runs at a moment to come if nothing charges it until then.

    Parameters
    ----------
    runout : Runout
        As worked out.
    at_ms, as_of_ms : int
        The moment asked about, and the one the run-out was worked out for. [ms]

    Returns
    -------
    float or None
        Between the hours kept, on a straight line. A moment before charging usually ends counts as if it
        ended now. None where there is no forecast, or one kept without such hours, and for moments gone by or
        beyond the horizon. [1]
    """
    ahead_ms = at_ms - as_of_ms
    if runout.reason in _CANNOT_TELL or not 0 < ahead_ms <= HORIZON_H * HOUR_MS:
        return None
    if runout.reason == "cut_out":
        return 0.0
    if not runout.lasts_hours and runout.hours_p10 is not None:
        return None
    stop_ms = runout.if_charging_stops_at
    from_ms = stop_ms if stop_ms is not None and at_ms > stop_ms else as_of_ms
    return _between(runout.lasts_hours, (at_ms - from_ms) / HOUR_MS)


def _between(hours: tuple[float, ...], asked_h: float) -> float:
    """Return the chance that belongs to some hours; the first past the horizon is taken to lie on it."""
    if len(hours) < len(CHANCES):
        hours = (*hours, max(HORIZON_H, asked_h))
    place = bisect_right(hours, asked_h)
    if place == len(hours):
        return CHANCES[place - 1] if hours[-1] == asked_h else 0.0
    before_h, before = (0.0, 1.0) if place == 0 else (hours[place - 1], CHANCES[place - 1])
    share = (asked_h - before_h) / (hours[place] - before_h)
    return before + share * (CHANCES[place] - before)


def asked(runout: Runout, at_ms: int, *, as_of_ms: int) -> Runout:
    """Return a run-out that also answers for a moment somebody asks about, where it can."""
    chance = chance_until(runout, at_ms, as_of_ms=as_of_ms)
    if chance is None:
        return runout
    told = LastsUntil(at=at_ms, name="asked", chance=chance)
    return runout.model_copy(update={"lasts_until": (*runout.lasts_until, told)})
