"""Run-out joined with hold-over: the headline, and why it is missing where it is."""

import math
from dataclasses import dataclass

from services.analytics.power.charge import Z10, Capacity, ChargeState
from services.analytics.power.curves import curve_of
from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.holdover import DEFAULT_AMBIENT_C, HoldOver
from services.analytics.power.resistance import SourceResistance
from services.analytics.power.runout import (
    ENGINE_SOC,
    HORIZON_H,
    Load,
    Reserve,
    lasts_until,
    load_of,
    moves,
    reserve_of,
    soc_at_cutout,
    usual_charge_end_ms,
)
from services.domain import FoodAtRisk, Runout, UnitSettings
from services.timebase import DAY_MS, HOUR_MS

STALE_MS = DAY_MS
"""Samples older than this carry no run-out forecast (judgement, no source)."""

_NOT_ENGINE = "the bank does not start an engine"


@dataclass(frozen=True)
class Situation:
    """Everything the forecast needs, as of one moment."""

    frame: Frame
    ordinary: BoolArray
    settings: UnitSettings
    capacity: Capacity | None
    state: ChargeState
    source: SourceResistance
    cutout_v_12: float
    cut_out_since_ms: int | None
    held: HoldOver | None
    food_limit_c: float
    as_of_ms: int


def runout_of(situation: Situation) -> Runout:
    """Return the run-out with the food at risk.

    While something charges, hours count from when charging usually ends (the median hour of the last
    week), else from as-of; the charge still to come is not credited. Nobody knows whether charging went
    on through silence, so what is silent is taken to draw since its last sample.
    """
    settings = situation.settings
    if not settings.has_battery:
        return _empty(situation, "no_battery", f"fed from {settings.unit.supply.kind}, no battery to run out")
    if situation.cut_out_since_ms is not None:
        return _stopped(situation)
    missing = _missing(situation)
    if missing is not None or situation.capacity is None:
        return _empty(situation, "not_enough_data", missing or "no battery capacity in the unit's file")
    from_ms = int(situation.frame.t_ms[-1])
    charging = situation.state.charging_now and situation.as_of_ms - from_ms <= situation.frame.gap_ms
    if charging:
        usual = usual_charge_end_ms(situation.state.charge_ends_ms, situation.as_of_ms)
        from_ms = situation.as_of_ms if usual is None else usual
    load = load_of(
        situation.frame, situation.ordinary, settings, from_ms=from_ms, as_of_ms=situation.as_of_ms
    )
    if load is None:
        return _empty(
            situation, "not_enough_data", "less than two hours of ordinary running to learn the load from"
        )
    return _forecast(situation, situation.capacity, load, from_ms=from_ms, charging=charging)


def _missing(situation: Situation) -> str | None:
    """Return what keeps a forecast from being made, None when nothing does."""
    if len(situation.frame) == 0:
        return "no compressor state in these samples"
    if situation.capacity is None or not curve_of(situation.settings)[1]:
        bank_words = "capacity" if situation.capacity is None else ""
        chemistry = "" if curve_of(situation.settings)[1] else "chemistry"
        return f"no battery {' and '.join(filter(None, (bank_words, chemistry)))} in the unit's file"
    if situation.state.soc is None:
        return situation.state.reason
    if situation.as_of_ms - int(situation.frame.t_ms[-1]) > STALE_MS:
        return "the last sample is more than a day old"
    return None


def _forecast(
    situation: Situation, capacity: Capacity, load: Load, *, from_ms: int, charging: bool
) -> Runout:
    """Return the forecast proper, counted from the last sample or the end of charging."""
    settings = situation.settings
    soc_cut = soc_at_cutout(settings, cutout_v_12=situation.cutout_v_12, source_ohm=situation.source.ohm)
    reserve = reserve_of(situation.state, capacity, soc_cut=soc_cut, load_sd=load.share_sd)
    runs = [_within_horizon(load.hours_for(reserve.ah_at(z))) for z in (-Z10, 0.0, Z10)]
    gone_h = max(0.0, (situation.as_of_ms - from_ms) / HOUR_MS)
    hours = [None if value is None else max(0.0, value - gone_h) for value in runs]
    words = [None if value is not None else f"more than {HORIZON_H} h" for value in hours]
    held = situation.held
    return Runout(
        hours_p10=hours[0],
        hours_p10_reason=words[0],
        hours_p50=hours[1],
        hours_p50_reason=words[1],
        hours_p90=hours[2],
        hours_p90_reason=words[2],
        reason="charging" if charging else ("beyond_horizon" if hours[0] is None else "discharging"),
        if_charging_stops_at=from_ms if charging else None,
        if_charging_stops_at_reason=None if charging else "nothing charges now",
        lasts_until=(
            lasts_until(reserve, load, from_ms=from_ms, as_of_ms=situation.as_of_ms, settings=settings),
        ),
        moves=moves(
            situation.state,
            reserve,
            load,
            capacity,
            settings,
            food_limit_c=situation.food_limit_c,
            food_c=None if held is None else held.food_c,
            ambient_c=DEFAULT_AMBIENT_C if held is None else held.ambient_c,
        ),
        food_at_risk=_food_at_risk(
            situation, runs, from_ms=from_ms, why="the run-out lies beyond the horizon"
        ),
        food_at_risk_reason=_no_food(situation),
        **_engine(situation, capacity, reserve, load, from_ms),
    )


def _within_horizon(hours: float) -> float | None:
    """Return hours up to the horizon, else None."""
    return hours if math.isfinite(hours) and hours <= HORIZON_H else None


def _engine(
    situation: Situation, capacity: Capacity, reserve: Reserve, load: Load, from_ms: int
) -> dict[str, int | str | None]:
    """Return when the engine may no longer start, on the early end, or why there is no such line."""
    bank = situation.settings.bank
    if bank is None or not bank.starts_engine:
        return {"engine_may_not_start": None, "engine_may_not_start_reason": _NOT_ENGINE}
    above = reserve.ah - (ENGINE_SOC - reserve.soc_cut) * capacity.ah
    early = max(0.0, above) * math.exp(-Z10 * reserve.share_sd)
    hours = _within_horizon(load.hours_for(early))
    if hours is None:
        return {"engine_may_not_start": None, "engine_may_not_start_reason": f"more than {HORIZON_H} h"}
    at = max(situation.as_of_ms, from_ms + round(hours * HOUR_MS))
    return {"engine_may_not_start": at, "engine_may_not_start_reason": None}


def _stopped(situation: Situation) -> Runout:
    """Return the answer for a unit that stands still now: the food warms since it was last measured."""
    held = situation.held
    from_ms = situation.as_of_ms if held is None else held.at_ms
    return Runout(
        hours_p10=0.0,
        hours_p50=0.0,
        hours_p90=0.0,
        reason="cut_out",
        if_charging_stops_at_reason="it has cut out",
        engine_may_not_start_reason="it has cut out",
        food_at_risk=_food_at_risk(situation, [0.0, 0.0, 0.0], from_ms=from_ms, why=""),
        food_at_risk_reason=_no_food(situation),
    )


def _empty(situation: Situation, reason: str, words: str) -> Runout:
    """Return a run-out without hours, its reason in every field."""
    return Runout.model_validate(
        {
            "hours_p10": None,
            "hours_p10_reason": words,
            "hours_p50": None,
            "hours_p50_reason": words,
            "hours_p90": None,
            "hours_p90_reason": words,
            "reason": reason,
            "if_charging_stops_at_reason": words,
            "engine_may_not_start_reason": words,
            "food_at_risk": _food_at_risk(
                situation, [None, None, None], from_ms=situation.as_of_ms, why=words
            ),
            "food_at_risk_reason": _no_food(situation),
        }
    )


def _no_food(situation: Situation) -> str | None:
    """Return why there is no hold-over at all, None when there is one."""
    return "no cabinet temperature in the last day" if situation.held is None else None


def _food_at_risk(
    situation: Situation, hours: list[float | None], *, from_ms: int, why: str
) -> FoodAtRisk | None:
    """Return run-out and hold-over joined, quantile by quantile: the early end of both leads.

    Food above its limit already is at risk now, whatever the battery does.
    """
    held, now_ms = situation.held, situation.as_of_ms
    if held is None:
        return None
    at = [
        None if runs is None else max(now_ms, from_ms + round((runs + stays) * HOUR_MS))
        for runs, stays in zip(hours, (held.hours.p10, held.hours.p50, held.hours.p90), strict=True)
    ]
    if held.food_c >= situation.food_limit_c:
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
        limit_c=situation.food_limit_c,
    )
