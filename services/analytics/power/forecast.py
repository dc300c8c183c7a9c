"""Run-out joined with hold-over: the headline, and why it is missing where it is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.power.capacity import Capacity
from services.analytics.power.curves import curve_of
from services.analytics.power.engine import engine_line
from services.analytics.power.foodrisk import food_at_risk
from services.analytics.power.habits import (
    Habit,
    habit_of,
    next_start_ms,
    sources_ahead,
    usual_charge_end_ms,
)
from services.analytics.power.holdover import DEFAULT_AMBIENT_C
from services.analytics.power.load import HORIZON_H, Demand, Load, demand_of, load_of
from services.analytics.power.moves import Outlook, moves
from services.analytics.power.nearcut import seen_under_load
from services.analytics.power.runout import (
    Reserve,
    chance_until,
    futures_of,
    hours_by_chance,
    hours_without_charging,
    next_dawn_ms,
    reserve_of,
    soc_at_cutout,
)
from services.analytics.power.situation import Situation
from services.analytics.power.stored import no_runout
from services.analytics.power.wells import tilt_while_running, wells_of
from services.domain import FoodAtRisk, LastsUntil, Runout, UnitSettings, UsualCharging
from services.timebase import DAY_MS, HOUR_MS

STALE_MS = DAY_MS
"""Samples older than this carry no run-out forecast (judgement, no source)."""


def runout_of(situation: Situation) -> Runout:
    """Return the run-out with the food at risk.

    The hours are those without any charging to come: while something charges they count from when it usually
    ends, else from as-of, and the charge still to come is not credited. What usually comes (drives, mains,
    the sun on declared panels) is told beside them. Nobody knows whether charging went on through silence,
    so what is silent is taken to draw since its last sample.
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
        state = situation.state
        usual = usual_charge_end_ms(state.charge_ends_ms, state.charge_lengths_ms, situation.as_of_ms)
        from_ms = situation.as_of_ms if usual is None else usual
    demand = demand_of(situation.frame, situation.ordinary, settings, as_of_ms=situation.as_of_ms)
    if demand is None:
        return _empty(
            situation, "not_enough_data", "less than two hours of ordinary running to learn the load from"
        )
    return _forecast(situation, situation.capacity, demand, from_ms=from_ms, charging=charging)


def _missing(situation: Situation) -> str | None:
    """Return what keeps a forecast from being made, None when nothing does."""
    if len(situation.frame) == 0:
        return "no compressor state in these samples"
    if (unasked := no_runout(situation.frame, situation.settings)) is not None:
        return unasked
    if situation.capacity is None or not curve_of(situation.settings)[1]:
        bank_words = "capacity" if situation.capacity is None else ""
        chemistry = "" if curve_of(situation.settings)[1] else "chemistry"
        return f"no battery {' and '.join(filter(None, (bank_words, chemistry)))} in the unit's file"
    if situation.state.soc is None:
        return situation.state.reason
    stale = situation.as_of_ms - int(situation.frame.t_ms[-1]) > STALE_MS
    return "the last sample is more than a day old" if stale else None


@dataclass(frozen=True)
class _Worked:
    """What the answers are read from."""

    situation: Situation
    capacity: Capacity
    demand: Demand
    load: Load
    reserve: Reserve
    habit: Habit | None
    next_ms: int | None
    """When charging usually begins next."""
    from_ms: int

    @property
    def gone_h(self) -> float:
        """Hours since the forecast began to count; none while it counts from a time to come."""
        return max(0.0, (self.situation.as_of_ms - self.from_ms) / HOUR_MS)


def _forecast(
    situation: Situation, capacity: Capacity, demand: Demand, *, from_ms: int, charging: bool
) -> Runout:
    """Return the forecast proper, counted from the last sample or the end of charging."""
    load = load_of(demand, situation.settings, from_ms=from_ms, others=situation.others)
    soc_cut = soc_at_cutout(situation.settings, cutout_v_12=situation.cutout_v_12, drop=situation.drop)
    left_share = _left_share(situation, capacity, demand)
    state = situation.state if charging else seen_under_load(situation, soc_cut, left_share)
    reserve = reserve_of(state, capacity, soc_cut=soc_cut, left_share=left_share, load=load)
    habit = _habit(situation, capacity)
    next_ms = next_start_ms(habit, situation.as_of_ms)
    worked = _Worked(situation, capacity, demand, load, reserve, habit, next_ms, from_ms)
    runs = [_within_horizon(value) for value in hours_without_charging(reserve, load)]
    hours = [None if value is None else max(0.0, value - worked.gone_h) for value in runs]
    words = [None if value is not None else f"more than {HORIZON_H} h" for value in hours]
    usual = _usual(worked)
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
        lasts_until=_lasts(worked),
        lasts_hours=hours_by_chance(reserve, load, gone_h=worked.gone_h),
        usual_charging=usual,
        usual_charging_reason=None if usual is not None else "no charging that recurs was seen",
        moves=moves(_outlook(worked)),
        food_at_risk=_food_at_risk(
            situation, runs, from_ms=from_ms, why="the run-out lies beyond the horizon"
        ),
        food_at_risk_reason=_no_food(situation),
        **engine_line(
            situation.settings,
            situation.state,
            capacity,
            reserve,
            load,
            as_of_ms=situation.as_of_ms,
            from_ms=from_ms,
        ),
    )


def _left_share(situation: Situation, capacity: Capacity, demand: Demand) -> float:
    """Return the share of charge that runs like those of the last day leave in the bound well at the end."""
    settings, frame = situation.settings, situation.frame
    held = np.where(situation.ordinary & (frame.t_ms > frame.t_ms[-1] - DAY_MS), frame.held_ms, 0)
    amps = demand.running_a + (0.0 if settings.bank is None else settings.bank.other_load_a)
    return tilt_while_running(
        running_share_per_h=amps / _usable_ah(situation, capacity),
        duty=float(np.sum(held * frame.on)) / max(float(np.sum(held)), 1.0),
        run_h=situation.run_h,
        wells=wells_of(settings),
    )


def _habit(situation: Situation, capacity: Capacity) -> Habit | None:
    """Return the charging that recurs."""
    if situation.charging is None or situation.ah is None:
        return None
    soc = situation.state.soc
    return habit_of(
        situation.frame,
        situation.charging,
        situation.ah,
        as_of_ms=situation.as_of_ms,
        capacity_ah=_usable_ah(situation, capacity),
        soc_now=0.0 if soc is None else soc,
    )


def _usable_ah(situation: Situation, capacity: Capacity) -> float:
    """Return the capacity as learned, where it was [Ah]."""
    gauge = situation.state.gauge
    return capacity.ah if gauge is None else gauge.usable_ah


def _missing_ah(situation: Situation, capacity: Capacity) -> float:
    soc = situation.state.soc
    return max(0.0, 1.0 - (0.0 if soc is None else soc)) * _usable_ah(situation, capacity)


def _lasts(worked: _Worked) -> tuple[LastsUntil, ...]:
    """Return the chances of running until dawn, the next usual charging, and what somebody asks about.

    A moment before charging usually ends is told as if it ended now: nobody knows that it goes on.
    """
    situation, from_ms = worked.situation, worked.from_ms
    asked = [(next_dawn_ms(situation.as_of_ms, situation.settings), "dawn")]
    if worked.next_ms is not None and worked.next_ms > from_ms:
        asked.append((worked.next_ms, _next_name(situation.settings)))
    asked += [(at_ms, "asked") for at_ms in situation.until_ms if at_ms > situation.as_of_ms]
    return tuple(
        LastsUntil(
            at=at_ms,
            name=name,
            chance=chance_until(
                worked.reserve,
                worked.load,
                at_ms=at_ms,
                from_ms=from_ms if at_ms > from_ms else min(from_ms, situation.as_of_ms),
            ),
        )
        for at_ms, name in asked
    )


def _next_name(settings: UnitSettings) -> str:
    """Return what the next charging is called."""
    on_wheels = settings.site is not None and settings.site.kind == "vehicle"
    return "next drive" if on_wheels and settings.unit.supply.panel_wp <= 0 else "next charging"


def _usual(worked: _Worked) -> UsualCharging | None:
    """Return how long it runs if what usually charges comes; None where nothing does."""
    settings, habit = worked.situation.settings, worked.habit
    sources = sources_ahead(habit, settings, from_ms=worked.from_ms, hours=HORIZON_H)
    if sources is None:
        return None
    futures = futures_of(
        worked.reserve,
        worked.load,
        sources,
        full_ah=max(worked.reserve.ah, 0.0) + _missing_ah(worked.situation, worked.capacity),
        coulombic_share=curve_of(settings)[0].coulombic_share,
    )
    found = [_within_horizon(futures.quantile_h(level)) for level in (0.1, 0.5, 0.9)]
    hours = [None if one is None else max(0.0, one - worked.gone_h) for one in found]
    words = [f"more than {HORIZON_H} h" if one is None else None for one in hours]
    return UsualCharging(
        ah_per_day=sources.mean_ah,
        days_seen=0 if habit is None else habit.days,
        hours_p10=hours[0],
        hours_p10_reason=words[0],
        hours_p50=hours[1],
        hours_p50_reason=words[1],
        hours_p90=hours[2],
        hours_p90_reason=words[2],
        chance_of_a_week=futures.chance_beyond(float(HORIZON_H) - 1e-9),
    )


def _outlook(worked: _Worked) -> Outlook:
    """Return what the moves are worked out from."""
    situation, habit, load = worked.situation, worked.habit, worked.load
    held = situation.held
    target_ms = next_dawn_ms(situation.as_of_ms, situation.settings)
    if worked.next_ms is not None:
        target_ms = max(target_ms, worked.next_ms)
    return Outlook(
        reserve=worked.reserve,
        load=load,
        settings=situation.settings,
        capacity_ah=_usable_ah(situation, worked.capacity),
        missing_ah=_missing_ah(situation, worked.capacity),
        coulombic_share=curve_of(situation.settings)[0].coulombic_share,
        charge_a=None if habit is None or habit.amps <= 0 else habit.amps,
        target_h=max(0.0, (target_ms - worked.from_ms) / HOUR_MS),
        food_limit_c=situation.food_limit_c,
        food_c=None if held is None else held.food_c,
        ambient_c=DEFAULT_AMBIENT_C if held is None else held.ambient_c,
        other_a=max(0.0, load.mean_a - worked.demand.mean_a),
    )


def _within_horizon(hours: float) -> float | None:
    """Return hours up to the horizon, else None."""
    return hours if math.isfinite(hours) and hours <= HORIZON_H else None


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
        usual_charging_reason="it has cut out",
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
            "usual_charging_reason": words,
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
    situation: Situation, hours: Sequence[float | None], *, from_ms: int, why: str
) -> FoodAtRisk | None:
    return food_at_risk(
        situation.held,
        hours,
        from_ms=from_ms,
        now_ms=situation.as_of_ms,
        limit_c=situation.food_limit_c,
        why=why,
    )
