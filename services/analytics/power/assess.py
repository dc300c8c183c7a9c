"""Everything about one unit's supply as of one moment: cut-outs, bank, run-out, findings."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from services.analytics.power.capacity import Capacity, bounded, capacity_of
from services.analytics.power.causes import Background, cutout_of
from services.analytics.power.charge import (
    ChargeState,
    charge_state,
    drawn_ah,
    load_a,
    measured_capacity_ah,
)
from services.analytics.power.charging import charging_at, full_charges_ms
from services.analytics.power.curves import curve_of
from services.analytics.power.cutouts import (
    Event,
    Threshold,
    cut_out_now,
    events_of,
    stopped_share_mask,
    threshold_of,
)
from services.analytics.power.drop import Drop, drop_of
from services.analytics.power.energy import learned_of
from services.analytics.power.forecast import runout_of
from services.analytics.power.frame import BoolArray, Frame, Runs, frame_of, runs_of
from services.analytics.power.halftap import NOT_KNOWN, tapped_a
from services.analytics.power.holdover import hold_over
from services.analytics.power.learned import Learned, on_bank_since, usable
from services.analytics.power.load import standby_a
from services.analytics.power.resistance import SourceResistance, Steps, source_resistance, stop_steps
from services.analytics.power.shared import BankLoad
from services.analytics.power.situation import Situation, usual_run_h
from services.analytics.power.stored import runs_down, wanted
from services.analytics.power.supplypath import supply_path
from services.analytics.power.thermostat import Band, band_of
from services.analytics.power.told import assumed_of, flags_of
from services.analytics.service.findings import Workbench, findings_of
from services.analytics.service.work import work_of
from services.domain import Battery, Cutout, Finding, Runout, SensorFlag, UnitSettings, Work
from services.telemetry import FloatArray, Series
from services.timebase import DAY_MS, HOUR_MS

LEAST_CUTOUT_V, MOST_CUTOUT_V = 9.0, 13.0
"""What a unit reports as its cut-out beyond these is none (judgement). [V at 12 V]"""

NO_FULL_CHARGE = "no full charge in the samples looked at"


@dataclass(frozen=True)
class BankKnown:
    """What is known of a unit's bank beside its own samples."""

    learned: Learned | None = None
    """What earlier days taught."""
    others: BankLoad | None = None
    """What the bank's other units draw."""
    since_ms: int | None = None
    """Since when the unit is on this bank; samples before it tell of another."""
    tell: Callable[[tuple[Learned, ...]], None] = lambda _: None
    """Told what each of the days looked at taught, oldest first."""


NOTHING_KNOWN = BankKnown()


@dataclass(frozen=True)
class PowerResult:
    """What the power analyses say; every None has its reason beside it."""

    cutouts: tuple[Cutout, ...] | None
    cutouts_reason: str | None
    battery: Battery | None
    battery_reason: str | None
    runout: Runout
    findings: tuple[Finding, ...] | None
    findings_reason: str | None
    work: Work
    assumed: tuple[str, ...]
    """Defaults used here beyond those the settings already name."""
    learned: tuple[Learned, ...] = ()
    """What each day taught of the bank, for the days after it."""
    sensors: tuple[SensorFlag, ...] = ()
    """Stretches in which the voltage reading is not to be trusted."""


@dataclass(frozen=True)
class _Supply:
    """What is worked out once and used by several answers."""

    frame: Frame
    runs: Runs
    band: Band
    threshold: Threshold
    events: tuple[Event, ...]
    steps: Steps
    drop: Drop
    source: SourceResistance
    capacity: Capacity | None
    charging: BoolArray
    ah: FloatArray
    measured_ah: float | None
    state: ChargeState


def power(
    series: Series,
    settings: UnitSettings,
    *,
    as_of_ms: int,
    food_limit_c: float,
    max_gap_s: float | None = None,
    learned: Learned | None = None,
    others: BankLoad | None = None,
    until_ms: Sequence[int] = (),
    since_ms: int | None = None,
) -> PowerResult:
    """Return everything about a unit's supply as of one moment.

    Parameters
    ----------
    series : Series
        One unit's samples, times strictly increasing; later ones than `as_of_ms` are left out.
    settings : UnitSettings
        Unit, site and bank with defaults applied.
    as_of_ms : int
        Now. [ms]
    food_limit_c : float
        The limit the hold-over runs to. [°C]
    max_gap_s : float, optional
        Samples further apart are not joined; three intervals when None. [s]
    learned : Learned, optional
        What earlier days taught of the bank; one learned of another bank is left aside.
    others : BankLoad, optional
        What the bank's other units draw; without it they are taken to draw like this one.
    until_ms : sequence of int
        Moments to tell the chance of running until. [ms]
    since_ms : int, optional
        When the unit came to this bank: cut-outs, path and charge before it were another's. [ms]
    """
    fed = settings if others is None else settings.model_copy(update={"units_on_bank": 1})
    start_ms = int(series.t_ms[0]) if len(series) else 0
    seen = series.between(max((start_ms, *on_bank_since(settings, since_ms))), as_of_ms + 1)
    frame = frame_of(seen, settings, max_gap_s)
    runs = runs_of(frame)
    supply = _supply(seen, frame, runs, fed, as_of_ms=as_of_ms, learned=learned, others=others)
    cutouts, cutouts_reason = _cutouts(supply, settings, as_of_ms=as_of_ms)
    battery, battery_reason = _battery(seen, supply, settings, as_of_ms=as_of_ms)
    held = hold_over(seen, frame, runs, settings, as_of_ms=as_of_ms, limit_c=food_limit_c)
    ordinary = stopped_share_mask(frame, supply.events)
    situation = Situation(
        frame=frame,
        ordinary=ordinary,
        settings=fed,
        capacity=supply.capacity,
        state=supply.state,
        drop=supply.drop,
        run_h=usual_run_h(runs),
        cutout_v_12=supply.threshold.at(as_of_ms),
        cut_out_since_ms=None if (event := cut_out_now(supply.events)) is None else event.start_ms,
        held=held,
        food_limit_c=food_limit_c,
        as_of_ms=as_of_ms,
        charging=supply.charging,
        ah=supply.ah,
        others=others,
        until_ms=until_ms,
    )
    runout = runout_of(situation)
    findings = None
    if len(frame):
        bench = Workbench(
            frame=frame,
            runs=runs,
            band=supply.band,
            ordinary=ordinary,
            steps=supply.steps,
            source=supply.source,
            settings=settings,
            cutouts=cutouts or (),
            charging=supply.charging,
            measured_ah=supply.measured_ah if settings.has_battery else None,
        )
        stored = runs_down(
            frame,
            settings,
            supply.state,
            full_ah=_usable_ah(supply),
            ah=supply.ah,
            charging=supply.charging,
            as_of_ms=as_of_ms,
        )
        findings = (*findings_of(bench, as_of_ms=as_of_ms), *(() if stored is None else (stored,)))
    return PowerResult(
        cutouts=cutouts,
        cutouts_reason=cutouts_reason,
        battery=battery,
        battery_reason=battery_reason,
        runout=runout,
        findings=findings,
        findings_reason=None if findings is not None else "no compressor state in these samples",
        learned=supply.state.learned,
        work=work_of(frame, runs, supply.steps, supply.charging, settings, as_of_ms=as_of_ms),
        sensors=flags_of(frame) if settings.has_battery else (),
        assumed=(
            *assumed_of(frame, fed, supply.threshold, supply.capacity, supply.band),
            *(held.assumed if held is not None else ()),
        ),
    )


def _supply(
    series: Series,
    frame: Frame,
    runs: Runs,
    settings: UnitSettings,
    *,
    as_of_ms: int,
    learned: Learned | None,
    others: BankLoad | None,
) -> _Supply:
    """Work out what the answers share."""
    band = band_of(frame, runs)
    threshold = threshold_of(frame, runs, band, settings, reported_cutout_v(series, frame))
    steps = stop_steps(frame, runs, settings)
    drop, known = drop_of(steps, settings), usable(learned, settings)
    amps = load_a(frame, settings) + standby_a(frame, settings)
    if others is not None:
        amps = amps + others.at(frame.t_ms)
    ah = drawn_ah(frame, amps)
    charging = charging_at(frame, curve_of(settings)[0])
    measured = measured_capacity_ah(
        frame, runs, settings, ah=ah, others_known=others is not None, charging=charging
    )
    capacity = bounded(capacity_of(settings, as_of_ms=as_of_ms), measured)
    return _Supply(
        frame=frame,
        runs=runs,
        band=band,
        threshold=threshold,
        events=wanted(
            events_of(frame, runs, band, threshold, as_of_ms=as_of_ms, has_battery=settings.has_battery),
            settings,
        ),
        steps=steps,
        drop=drop,
        source=source_resistance(frame, steps, settings),
        capacity=capacity,
        charging=charging,
        ah=ah,
        measured_ah=measured,
        state=charge_state(frame, runs, settings, capacity, ah, learned=known, charging=charging, drop=drop),
    )


def reported_cutout_v(series: Series, frame: Frame) -> float | None:
    """Return the newest cut-out the unit itself reports, where it can be one, as it stands [V]."""
    reported = series.numbers("cutout_v")
    said = reported[
        (reported >= LEAST_CUTOUT_V * frame.volt_scale) & (reported <= MOST_CUTOUT_V * frame.volt_scale)
    ]
    return float(said[-1]) if said.size else None


def _cutouts(
    supply: _Supply, settings: UnitSettings, *, as_of_ms: int
) -> tuple[tuple[Cutout, ...] | None, str | None]:
    """Return the cut-outs, or why they cannot be told."""
    frame = supply.frame
    if len(frame) == 0:
        return None, "no compressor state in these samples: a stop cannot be told from a rest"
    if not bool(np.any(np.isfinite(frame.cabinet_c))):
        return None, "no cabinet temperature: a cut-out cannot be told from a thermostat stop"
    if settings.has_battery and not bool(np.any(np.isfinite(frame.volts_12))):
        doubt = frame.voltage_doubt
        why = "no battery voltage" if doubt is None else doubt
        return None, f"{why}; a low-voltage stop cannot be told from another"
    background = Background(
        frame=frame,
        settings=settings,
        threshold=supply.threshold,
        ah=supply.ah,
        full_ms=supply.state.full_ms,
        measured_ah=supply.measured_ah,
        charged=bool(np.any(supply.charging)),
    )
    return tuple(cutout_of(event, background, as_of_ms=as_of_ms) for event in supply.events), None


def _battery(
    series: Series, supply: _Supply, settings: UnitSettings, *, as_of_ms: int
) -> tuple[Battery | None, str | None]:
    """Return what is known of the bank, or why nothing is."""
    if not settings.has_battery:
        return None, f"fed from {settings.unit.supply.kind}, no battery"
    if not series.has("battery_v"):
        return None, "no battery voltage in these samples"
    full = supply.state.full_ms
    if len(supply.frame) == 0:
        known = np.isfinite(series.numbers("battery_v"))
        volts = series.numbers("battery_v")[known] / supply.frame.volt_scale
        full = full_charges_ms(series.t_ms[known], volts, curve_of(settings)[0])
    doubt = supply.frame.voltage_doubt
    days, no_days = (as_of_ms - int(full[-1])) / DAY_MS if full.size else None, NO_FULL_CHARGE
    if tapped_a(settings) > 0.0:
        days, no_days = None, NOT_KNOWN
    path, path_reason = supply_path(
        supply.frame,
        supply.steps,
        supply.source,
        settings,
        cutout_v_12=supply.threshold.at(as_of_ms),
        capacity=supply.capacity,
        mean_a=_mean_a(supply),
    )
    return (
        Battery(
            state_of_charge=None if doubt is not None else supply.state.quantiles,
            state_of_charge_reason=supply.state.reason if doubt is None else doubt,
            source_resistance_ohm=supply.source.ohm,
            source_resistance_ohm_reason=supply.source.reason,
            days_since_full=days,
            days_since_full_reason=no_days if days is None else None,
            **_history(series, supply, settings),
            supply_path=path,
            supply_path_reason=path_reason,
        ),
        None,
    )


def _usable_ah(supply: _Supply) -> float:
    """Return the capacity as learned, else as labelled [Ah]."""
    if supply.state.gauge is not None:
        return supply.state.gauge.usable_ah
    return 0.0 if supply.capacity is None else supply.capacity.ah


def _mean_a(supply: _Supply) -> float | None:
    """Return what was drawn from the bank on average [A]; None where too little is known."""
    span_h = (int(supply.frame.t_ms[-1]) - int(supply.frame.t_ms[0])) / HOUR_MS if len(supply.frame) else 0.0
    return float(supply.ah[-1]) / span_h if span_h >= 1.0 else None


def _history(series: Series, supply: _Supply, settings: UnitSettings) -> dict[str, Any]:
    """Return what the days looked at say of the bank, where its charge could be followed."""
    if len(supply.frame) == 0 or supply.state.gauge is None:
        return {}
    return learned_of(supply.frame, series, settings, supply.state, charging=supply.charging, ah=supply.ah)
