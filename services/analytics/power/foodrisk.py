"""Run-out and hold-over joined: from when food is at risk."""

from collections.abc import Sequence

from services.analytics.power.holdover import HoldOver
from services.domain import FoodAtRisk
from services.timebase import HOUR_MS


def food_at_risk(
    held: HoldOver | None,
    hours: Sequence[float | None],
    *,
    from_ms: int,
    now_ms: int,
    limit_c: float,
    why: str,
) -> FoodAtRisk | None:
    """Return run-out and hold-over joined, quantile by quantile: the early end of both leads.

    Food above its limit already is at risk now, whatever the battery does.

    Parameters
    ----------
    held : HoldOver or None
        None gives None.
    hours : sequence of float or None
        P10, P50, P90 of the run-out from `from_ms` on; None where there is none. [h]
    from_ms, now_ms : int
        Where hours count from, and now. [ms]
    limit_c : float
        The food's limit. [°C]
    why : str
        Why an instant is missing.
    """
    if held is None:
        return None
    at = [
        None if runs is None else max(now_ms, from_ms + round((runs + stays) * HOUR_MS))
        for runs, stays in zip(hours, (held.hours.p10, held.hours.p50, held.hours.p90), strict=True)
    ]
    if held.food_c >= limit_c:
        at = [now_ms, now_ms, now_ms]
    words = [why if moment is None else None for moment in at]
    return FoodAtRisk(
        holdover_hours=held.hours,
        from_p10=at[0],
        from_p10_reason=words[0],
        from_p50=at[1],
        from_p50_reason=words[1],
        from_p90=at[2],
        from_p90_reason=words[2],
        limit_c=limit_c,
    )
