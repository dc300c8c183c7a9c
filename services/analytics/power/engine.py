"""From when an engine that shares the bank may not start: a line of its own, before the cut-out."""

from services.analytics.power.capacity import Capacity
from services.analytics.power.charge import ChargeState
from services.analytics.power.load import HORIZON_H, Load
from services.analytics.power.runout import ENGINE_SOC, Reserve, charge_above
from services.domain import UnitSettings
from services.timebase import HOUR_MS


def engine_line(
    settings: UnitSettings,
    state: ChargeState,
    capacity: Capacity,
    reserve: Reserve,
    load: Load,
    *,
    as_of_ms: int,
    from_ms: int,
) -> dict[str, int | str | None]:
    """Return when the engine may no longer start, on the early end, or why there is no such line.

    Parameters
    ----------
    settings : UnitSettings
        Whether the bank starts an engine.
    state, capacity, reserve, load : ChargeState, Capacity, Reserve, Load
        As the run-out takes them.
    as_of_ms, from_ms : int
        Now, and where hours count from. [ms]
    """
    words = None
    if settings.bank is None or not settings.bank.starts_engine:
        words = "the bank does not start an engine"
    ah, sd_ah = charge_above(state, capacity, max(ENGINE_SOC, reserve.soc_cut))
    hours = load.hours_for(Reserve(ah, sd_ah, reserve.load_sd, ENGINE_SOC).ah_at(0.1))
    if words is None and hours > HORIZON_H:
        words = f"more than {HORIZON_H} h"
    at = None if words is not None else max(as_of_ms, from_ms + round(hours * HOUR_MS))
    return {"engine_may_not_start": at, "engine_may_not_start_reason": words}
