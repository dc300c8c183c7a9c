"""A whole trip worked out: every bank and cabinet hour by hour, what warm loads cost, what would help."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.food.rules import limits_of
from services.analytics.planning import cabinets
from services.analytics.planning.changes import WARMER_BY_K, smallest
from services.analytics.planning.draws import (
    TESTED_SHARE_SD,
    TRIPS,
    Days,
    bank_draws,
    cabinet_draws,
    days_of,
)
from services.analytics.planning.run import Load, Outcome, Ride, Rider, Supply, Variant, carry
from services.analytics.planning.scene import STEP_MS, Scene, scene_of
from services.analytics.power.capacity import Capacity, capacity_of
from services.analytics.power.curves import CURVES
from services.analytics.power.resistance import CABLE_AT_C, JOINTS_OHM, cable_ohm
from services.domain import Quantiles, UnitSettings
from services.domain.plan import HOLDS_FROM, BankPlan, Change, Doing, LoadPlan, Plan, PlanHour, UnitPlan
from services.domain.trip import Trip, TripBank, TripUnit
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

ENGINE_SOC = 0.5
"""Below half charge an engine may not start (common practice, no source)."""
EARLY = 0.1
HALF = 0.5
RESTART_ABOVE_CUTOUT_V = 1.1
"""Restart above cut-out where none is given, at 12 V (common practice 0.3-1.5 V, no source)."""

CAUTIONS = (
    "Fuse every cable at the battery, at no more than the cable is rated for; two sources: at both ends.",
    "Run engines and generators in the open air only: exhaust kills.",
    "Electrical and refrigeration work is for licensed technicians.",
    "Isolate banks before joining them, and join only like with like: same chemistry, voltage and age.",
    "A plan knows only what it was told: look at the readings on the way.",
)


@dataclass(frozen=True)
class _Aboard:
    """One cabinet, made ready."""

    unit: TripUnit
    settings: UnitSettings
    rider: Rider


def plan(trip: Trip) -> Plan:
    """Return a trip worked out hour by hour.

    `TRIPS` trips are drawn with fixed seeds: batteries within what their age leaves open, cabinets and
    machines within their tolerances, days and clouds as the weather's scatter says. One file gives one
    plan.
    """
    scene = scene_of(trip)
    days = days_of(trip.weather, int(scene.day[-1]) + 1)
    assumed: list[str] = []
    aboard = [_aboard(trip, unit, scene, assumed) for unit in trip.units]
    plans: list[BankPlan] = []
    units: dict[str, UnitPlan] = {}
    loads: list[LoadPlan] = []
    changes: list[Change] = []
    through = np.ones(TRIPS)
    for bank in trip.banks:
        on = [a for a in aboard if a.settings.has_battery and a.unit.supply.bank == bank.id]
        if not on:
            continue
        supply = _supply(bank, on[0].settings, scene, assumed, panel_wp=trip.panel_wp(bank))
        riders = [a.rider for a in on]
        outcome = carry(scene, days, riders, supply, [Variant()])
        plans.append(_bank_plan(bank, on, outcome, scene))
        units |= {a.unit.id: _unit_plan(a, r, scene) for a, r in zip(on, outcome.rides, strict=True)}
        loads += _loads(trip, on, supply, scene, days)
        holds = _holding(on, outcome)
        through *= holds
        if float(np.mean(holds)) < HOLDS_FROM:
            changes += smallest(scene, days, riders, supply, sunny=trip.trip.latitude_deg is not None)
    for alone in (a for a in aboard if not a.settings.has_battery):
        outcome = carry(scene, days, [alone.rider], None, [Variant()])
        units[alone.unit.id] = _unit_plan(alone, outcome.rides[0], scene)
        loads += _loads(trip, [alone], None, scene, days)
        through *= _holding([alone], outcome)
    chance = float(np.mean(through))
    return Plan(
        name=trip.trip.name,
        timezone=trip.trip.timezone,
        hours=_hours(scene),
        trips=TRIPS,
        holds=chance >= HOLDS_FROM,
        chance=chance,
        banks=tuple(plans),
        units=tuple(units[u.id] for u in trip.units),
        loads=tuple(loads),
        changes=tuple(changes),
        assumed=tuple(dict.fromkeys(assumed)),
        cautions=CAUTIONS,
    )


def _aboard(trip: Trip, unit: TripUnit, scene: Scene, assumed: list[str]) -> _Aboard:
    settings = trip.settings_of(unit)
    cabinet, words = cabinets.cabinet_of(unit, settings)
    assumed += [f"{settings.name}: {word}" for word in (*settings.assumed, *words)]
    scale = settings.nominal_v / 12.0
    cutout_v = settings.default_cutout_v if settings.cutout_v is None else settings.cutout_v
    if settings.cutout_v is None and settings.has_battery:
        assumed.append(f"{settings.name}: cut-out {cutout_v:g} V")
    restart_v = settings.restart_v
    if restart_v is None:
        restart_v = cutout_v + RESTART_ABOVE_CUTOUT_V * scale
    rider = Rider(
        cabinet=cabinet,
        draws=cabinet_draws(
            unit.id,
            gain_given=unit.shell_w_per_k is not None,
            cooling_given=unit.cooling_w is not None,
        ),
        nominal_v=settings.nominal_v,
        running_a=settings.running_a,
        cutout_v_12=cutout_v / scale,
        restart_v_12=restart_v / scale,
        cable_length_m=settings.cable_length_m,
        section_mm2=settings.cable_mm2,
        limit_c=_limit_c(settings),
        loads=tuple(
            Load(scene.step_of(_load_ms(scene, load.day, load.at.hour, load.at.minute)), load.kg, load.warm_c)
            for load in trip.loads
            if load.unit == unit.id
        ),
    )
    return _Aboard(unit, settings, rider)


def _limit_c(settings: UnitSettings) -> float:
    """Return the limit of a cabinet's food, infinite where none of its limits asks for more than a look."""
    limits = limits_of(settings)
    if all(limit.cap == "watch" for limit in limits.limits):
        return math.inf
    return limits.food_limit_c


def _load_ms(scene: Scene, day: int, hour: int, minute: int) -> int:
    return scene.local_ms(day, hour * HOUR_MS + minute * MINUTE_MS)


def _supply(
    bank: TripBank, settings: UnitSettings, scene: Scene, assumed: list[str], *, panel_wp: float
) -> Supply:
    capacity = capacity_of(settings, as_of_ms=int(scene.t_ms[0]))
    if bank.health is not None or capacity is None:
        share = 1.0 if bank.health is None else bank.health
        capacity = Capacity(share * bank.capacity_ah, TESTED_SHARE_SD, None)
    if capacity.assumed is not None:
        assumed.append(f"{bank.id}: {capacity.assumed}")
    if bank.half_tap_a > 0.0:
        assumed.append(
            f"{bank.id}: planned for the half that gives {bank.half_tap_a:g} A; chargers may stop before it"
            " is full, since the other is full sooner"
        )
    draws = bank_draws(bank.id, capacity, label_ah=bank.capacity_ah, start_soc=bank.start_soc)
    return Supply(bank, CURVES[bank.chemistry], draws, panel_wp)


def _holding(on: Sequence[_Aboard], outcome: Outcome) -> FloatArray:
    """Return 1 for trips without a cut-out and with all food cold; (trips,)."""
    ran = outcome.ran_through()[0]
    cold = [
        ride.warmest_c[0] <= a.rider.limit_c + WARMER_BY_K for a, ride in zip(on, outcome.rides, strict=True)
    ]
    return np.asarray(ran * np.all(cold, axis=0), dtype=np.float64)


def _range(values: FloatArray) -> Quantiles:
    low, mid, high = np.quantile(values, (EARLY, HALF, 1.0 - EARLY))
    return Quantiles(p10=float(low), p50=float(mid), p90=float(high))


def _ranges(history: FloatArray) -> tuple[Quantiles, ...]:
    low, mid, high = np.quantile(history, (EARLY, HALF, 1.0 - EARLY), axis=1)
    return tuple(
        Quantiles(p10=a, p50=b, p90=c)
        for a, b, c in zip(low.tolist(), mid.tolist(), high.tolist(), strict=True)
    )


def _hour_end_ms(scene: Scene, hour: int) -> int:
    return int(scene.t_ms[0]) + (hour + 1) * HOUR_MS


def _bank_plan(bank: TripBank, on: Sequence[_Aboard], outcome: Outcome, scene: Scene) -> BankPlan:
    cutout = np.max([ride.cutout_soc[0] for ride in outcome.rides], axis=0)
    margin = np.quantile(outcome.soc - cutout, EARLY, axis=1)
    spent = np.flatnonzero(margin <= 0.005)  # noqa: PLR2004 - half a per cent is none
    weakest = int(spent[0]) if spent.size else int(np.argmin(margin))
    trip_days = scene.t_ms.size * STEP_MS / DAY_MS
    engine = np.flatnonzero(np.quantile(outcome.soc, EARLY, axis=1) < ENGINE_SOC)
    engine_ms = _hour_end_ms(scene, int(engine[0])) if bank.starts_engine and engine.size else None
    return BankPlan(
        bank=bank.id,
        capacity_ah=bank.capacity_ah,
        units=tuple(a.unit.id for a in on),
        soc=_ranges(outcome.soc),
        out_ah_per_day=float(np.median(outcome.out_ah[0])) / trip_days,
        in_ah_per_day=float(np.median(outcome.in_ah[0])) / trip_days,
        weakest_at=_hour_end_ms(scene, weakest),
        weakest_soc=_range(outcome.soc[weakest]),
        cutout_soc=_range(cutout),
        chance=float(np.mean(outcome.ran_through()[0])),
        engine_may_not_start=engine_ms,
        engine_may_not_start_reason=None if engine_ms is not None else _no_engine(bank),
        remarks=tuple(_remarks(bank, outcome)),
    )


def _no_engine(bank: TripBank) -> str:
    return "not within this trip" if bank.starts_engine else "the bank does not start an engine"


def _remarks(bank: TripBank, outcome: Outcome) -> list[str]:
    found = []
    median = np.median(outcome.soc, axis=1)
    if bank.chemistry != "lifepo4" and float(np.min(median)) < HALF:
        found.append("goes below half charge: that wears a lead-acid battery (plan on half; common practice)")
    if float(median[-1]) < float(median[0]) - 0.1:
        found.append("comes home with less than it left with: each day takes more than it gives")
    return found


def _unit_plan(aboard: _Aboard, ride: Ride, scene: Scene) -> UnitPlan:
    settings, rider = aboard.settings, aboard.rider
    stopped = np.quantile(ride.first_stop_h[0], EARLY, method="lower")
    first = round(int(scene.t_ms[0]) + float(stopped) * HOUR_MS) if math.isfinite(stopped) else None
    drop = None
    if settings.has_battery:
        path = cable_ohm(
            length_m=rider.cable_length_m, section_mm2=rider.section_mm2, temperature_c=CABLE_AT_C
        )
        drop = rider.running_a * (path + JOINTS_OHM)
    none = None if drop is not None else "not on a bank"
    return UnitPlan(
        unit=aboard.unit.id,
        name=settings.name,
        bank=aboard.unit.supply.bank if settings.has_battery else None,
        bank_reason=none,
        set_point_c=settings.set_point_c,
        limit_c=rider.limit_c if math.isfinite(rider.limit_c) else None,
        limit_c_reason="nothing in it has a limit" if math.isinf(rider.limit_c) else None,
        cabinet_c=_ranges(ride.cabinet_c),
        food_c=_ranges(ride.food_c),
        warmest=_range(ride.warmest_c[0]),
        duty=_range(ride.ran_share[0]),
        chance_running=float(np.mean(~np.isfinite(ride.first_stop_h[0]))),
        chance_cold=float(np.mean(ride.warmest_c[0] <= rider.limit_c + WARMER_BY_K)),
        first_cutout=first,
        first_cutout_reason=None if first is not None else "in fewer than one trip of ten",
        cable_drop_v=drop,
        cable_drop_v_reason=none,
        cable_drop_share=None if drop is None else drop / settings.nominal_v,
        cable_drop_share_reason=none,
    )


def _loads(
    trip: Trip, on: Sequence[_Aboard], supply: Supply | None, scene: Scene, days: Days
) -> list[LoadPlan]:
    """Return what each warm load costs, told from the same trips without any, the bank never running out."""
    found: list[LoadPlan] = []
    for aboard in on:
        own = [load for load in trip.loads if load.unit == aboard.unit.id]
        if not own:
            continue
        both = [Variant(endless=True), Variant(endless=True, no_load=True)]
        outcome = carry(scene, days, [aboard.rider], supply, both)
        ran = outcome.rides[0].ran_share
        hours = scene.t_ms.size * STEP_MS / HOUR_MS
        costs_ah = float(np.median(ran[0] - ran[1])) * hours * aboard.settings.running_a / cabinets.ON_NOMINAL
        heat = [load.kg * max(0.0, load.warm_c - aboard.settings.set_point_c) for load in own]
        for load, share, cold in zip(own, heat, outcome.rides[0].cold_after_h, strict=True):
            whole = sum(heat)
            alone = _full_duty(aboard, load.kg, load.warm_c, scene)
            late = bool(np.isinf(np.quantile(cold, 1.0 - EARLY, method="higher")))
            found.append(
                LoadPlan(
                    unit=aboard.unit.id,
                    what=load.what,
                    kg=load.kg,
                    warm_c=load.warm_c,
                    at=_load_ms(scene, load.day, load.at.hour, load.at.minute),
                    cold_hours=None if late else _range(cold),
                    cold_hours_reason="not cold by the end in one trip of ten or more" if late else None,
                    costs_ah=costs_ah * share / whole if whole > 0 else 0.0,
                    full_duty_hours=None if math.isinf(alone) else alone,
                    full_duty_hours_reason="the machine cannot get it there" if math.isinf(alone) else None,
                )
            )
    return found


def _full_duty(aboard: _Aboard, kg: float, warm_c: float, scene: Scene) -> float:
    """Return how long the machine runs for a load alone, on the ordinary day's mean shade [h]."""
    cabinet = aboard.rider.cabinet
    outside = float(np.mean(scene.shade_c))
    return cabinets.full_duty_hours(
        heat_j_per_k=kg * cabinets.DRINK_J_PER_KG_K,
        gain_w_per_k=cabinet.gain_w_per_k,
        cooling_w=cabinet.cooling_w * float(cabinets.cooling_share(np.array(outside), np.array(0.0))),
        outside_c=outside,
        from_c=warm_c,
        to_c=cabinet.set_point_c + 1.0,
    )


def _hours(scene: Scene) -> tuple[PlanHour, ...]:
    per_hour = [np.mean(values.reshape(scene.hours, -1), axis=1) for values in (
        scene.driving, scene.plugged, scene.generator, scene.shade_c,
    )]  # fmt: skip
    starts = scene.t_ms.reshape(scene.hours, -1)[:, 0]
    days = scene.day.reshape(scene.hours, -1)[:, 0]

    def doing(driving: float, plugged: float, generator: float) -> Doing:
        if max(driving, plugged) < HALF:
            return "stopped"
        if driving >= plugged:
            return "driving"
        return "generator" if generator >= HALF else "mains"

    return tuple(
        PlanHour(at=int(t), day=int(d) + 1, doing=doing(a, b, c), outside_c=float(air))
        for t, d, a, b, c, air in zip(starts, days, *per_hour, strict=True)
    )
