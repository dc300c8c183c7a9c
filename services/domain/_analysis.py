"""The result of analysing one unit: schema ``bushlarder/analysis/1``.

Minutes and hours are unrounded; times are ISO 8601 in UTC. Every field that may be null has a
sibling ``…_reason`` that says why when it is.
"""

from typing import Literal

from pydantic import Field

from services.domain._answers import FoodAnswer
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant, WithReasons
from services.domain._verdict import Verdict
from services.domain._work import Work

SCHEMA: Literal["bushlarder/analysis/1"] = "bushlarder/analysis/1"


class Quantiles(Frozen):
    """A range: one in ten lies below `p10`, half below `p50`, nine in ten below `p90`."""

    p10: float
    p50: float
    p90: float


class RejectedCell(Frozen):
    """A cell of a log that could not be taken; the rest of its row was."""

    line: int
    column: str
    reason: str


class Episode(Frozen):
    """One unbroken stretch above a limit."""

    start: Instant
    end: Instant
    minutes: float
    peak_c: float
    mean_c: float


class Evidence(Frozen):
    """One row of evidence: a quantity against a threshold, with where the threshold comes from."""

    quantity: str
    value: float
    operator: Literal["<", "<=", ">", ">="]
    threshold: float
    unit: str
    source: str


class Exposure(WithReasons):
    """Time above one limit, on one basis."""

    rule: str | None
    """None: information only, carries no verdict."""
    limit_c: float
    basis: Literal["probe", "modelled_food", "cabinet"]
    start: Instant = Field(serialization_alias="from", validation_alias="from")
    """Where this clock starts."""
    compliant: Literal["yes", "no", "unknown"] | None
    compliant_reason: str | None = None
    minutes_above: float
    minutes_unknown: float
    minutes_worst_case: float
    peak_c: float | None
    peak_c_reason: str | None = None
    episodes: tuple[Episode, ...]
    verdict: Verdict | None
    verdict_reason: str | None = None
    reasons: tuple[Evidence, ...] = ()
    """What the verdict rests on, one row for each thing that was compared."""
    source: str
    why: str


class Cutout(WithReasons):
    """One low-voltage (or supply) stop of a compressor that wanted to run."""

    start: Instant
    end: Instant | None
    end_reason: str | None = None
    voltage_v: float | None
    """Last voltage under load."""
    voltage_v_reason: str | None = None
    rebound_v: float | None
    rebound_v_reason: str | None = None
    cause: Literal[
        "battery_flat",
        "battery_weak",
        "wiring",
        "charging",
        "limits",
        "supply_interrupted",
        "unit",
        "unknown",
    ]
    certainty: Literal["certain", "probable"]
    minutes_without_cooling: float
    warmed_k: float | None = None
    """How far the cabinet rose above where it was when it began."""
    warmed_k_reason: str | None = None
    attempts: int = 0
    """Starts seen to fail before cooling resumed; at one sample a minute many are not seen."""
    evidence: tuple[Evidence, ...] = ()
    why: str


ChargeSource = Literal["alternator", "dc_dc", "solar", "mains", "generator", "unknown"]


class Charging(Frozen):
    """One stretch in which something charged the bank."""

    start: Instant
    end: Instant
    source: ChargeSource
    certainty: Literal["certain", "probable"]
    """Certain: the unit itself named it."""
    evidence: tuple[Evidence, ...]


class EnergyIn(WithReasons):
    """What one source put into the bank on one day."""

    source: ChargeSource
    hours: float
    ah: Quantiles | None
    ah_reason: str | None = None


class EnergyDay(Frozen):
    """Charge and energy out of the bank and into it, on one UTC day or the part of it looked at."""

    day: Instant
    """Its start."""
    out_ah: float
    out_wh: float
    charged: tuple[EnergyIn, ...] = ()


class SupplyPath(WithReasons):
    """Cable, joints and battery between the charge and the unit, as measured at compressor stops."""

    ohm: float
    sd_ohm: float
    stops: int
    coarse_reading: bool
    """The reading's own step is so coarse that more stops do not sharpen it."""
    expected_ohm: float
    """Of sound cable, joints and battery."""
    wires_ohm: float | None = None
    """Cable and joints alone, where the voltage is measured at both ends."""
    wires_ohm_reason: str | None = "no voltage at the bank's own terminals"
    drop_share: float
    """Of the nominal voltage, lost in cable and joints at running current."""
    change_ohm_per_month: float | None
    change_ohm_per_month_reason: str | None = None
    change_sure: bool = False
    """A path that does not change would show this in fewer than one of twenty."""
    hours_lost: float | None
    """Running from a full bank lost to what is beyond a sound path."""
    hours_lost_reason: str | None = None
    advised_mm2: float | None
    """Smallest usual section that keeps the drop within 3 % when hot."""
    advised_mm2_reason: str | None = None
    worn: bool = False
    words: str = ""


class Battery(WithReasons):
    """What is known of the bank behind a unit."""

    state_of_charge: Quantiles | None
    state_of_charge_reason: str | None = None
    source_resistance_ohm: float | None
    source_resistance_ohm_reason: str | None = None
    days_since_full: float | None
    days_since_full_reason: str | None = None
    capacity_ah: Quantiles | None = None
    """What it holds at its temperature of now, as learned."""
    capacity_ah_reason: str | None = "not looked at"
    capacity_change_per_year: Quantiles | None = None
    """Share of the capacity; negative while it fades."""
    capacity_change_per_year_reason: str | None = "not looked at"
    charging: tuple[Charging, ...] = ()
    """The newest stretches of charging, oldest first."""
    days: tuple[EnergyDay, ...] = ()
    supply_path: SupplyPath | None = None
    supply_path_reason: str | None = "not looked at"


class LastsUntil(Frozen):
    """The chance that the unit still runs at a moment."""

    at: Instant
    name: str
    chance: float


class Move(Frozen):
    """Something that would move the run-out, and by how much."""

    action: Literal["charge", "set_point", "merge", "share"]
    amount: float
    unit: str
    """min, K, or the name of the other unit."""
    gain_hours: float
    """On the P10."""
    words: str | None = None
    """The caution that goes with it."""


class FoodAtRisk(WithReasons):
    """When food would pass its limit if nothing is done: run-out joined with hold-over."""

    holdover_hours: Quantiles | None
    holdover_hours_reason: str | None = None
    from_p10: Instant | None
    from_p10_reason: str | None = None
    from_p50: Instant | None
    from_p50_reason: str | None = None
    from_p90: Instant | None
    from_p90_reason: str | None = None
    limit_c: float


class UsualCharging(WithReasons):
    """How long the unit runs if the charging that recurs, or the sun on declared panels, comes again."""

    ah_per_day: float
    days_seen: int
    hours_p10: float | None
    hours_p10_reason: str | None = None
    hours_p50: float | None
    hours_p50_reason: str | None = None
    hours_p90: float | None
    hours_p90_reason: str | None = None
    chance_of_a_week: float


class Runout(WithReasons):
    """When the unit will stop for want of charge; plan on P10."""

    hours_p10: float | None
    hours_p10_reason: str | None = None
    hours_p50: float | None
    hours_p50_reason: str | None = None
    hours_p90: float | None
    hours_p90_reason: str | None = None
    reason: Literal["discharging", "charging", "cut_out", "beyond_horizon", "not_enough_data", "no_battery"]
    if_charging_stops_at: Instant | None = None
    if_charging_stops_at_reason: str | None = None
    engine_may_not_start: Instant | None = None
    engine_may_not_start_reason: str | None = None
    lasts_until: tuple[LastsUntil, ...] = ()
    lasts_hours: tuple[float, ...] = ()
    """With the chances of `lasting.CHANCES`, the nearly certain first; none past the horizon."""
    usual_charging: UsualCharging | None = None
    usual_charging_reason: str | None = "nothing of it was looked at"
    moves: tuple[Move, ...] = ()
    food_at_risk: FoodAtRisk | None = None
    food_at_risk_reason: str | None = None


class Finding(WithReasons):
    """Something the workshop should look at: what changed, never a bare diagnosis."""

    finding: str
    since: Instant
    evidence: tuple[Evidence, ...]
    check: str
    due: Instant | None
    due_reason: str | None = None
    certainty: Literal["strong", "fair", "weak"] | None = None
    """By how many independent signals moved: three, two, one; None where a limit was passed instead."""
    certainty_reason: str | None = "measured against a limit, not against its own past"
    could_be: tuple[str, ...] = ()
    """What goes with all that was seen, the likeliest first; never all there is."""
    parts: tuple[str, ...] = ()
    """What to take along."""
    call_out: bool = True
    """Worth a journey by itself; else to be looked at when somebody is there anyway."""
    wait_until_early: Instant | None = None
    """From when on food may be at risk on a design hot day: the early end."""
    wait_until_early_reason: str | None = "not worked out for this finding"
    wait_until_late: Instant | None = None
    wait_until_late_reason: str | None = "not worked out for this finding"


class SensorFlag(WithReasons):
    """A stretch in which a channel is not to be trusted."""

    channel: str
    flag: Literal["stuck", "out_of_range", "missing", "jump", "conflict", "drift", "check_failed", "scaled"]
    start: Instant
    end: Instant | None
    end_reason: str | None = None


class Analysis(WithReasons):
    """Everything computed for one unit as of one moment."""

    schema_: Literal["bushlarder/analysis/1"] = Field(
        default=SCHEMA, serialization_alias="schema", validation_alias="schema"
    )
    unit: str
    start: Instant = Field(serialization_alias="from", validation_alias="from")
    to: Instant
    as_of: Instant
    samples: int
    after_at: int = 0
    assumed: tuple[str, ...]
    rejected: tuple[RejectedCell, ...] = ()
    verdict: Verdict
    verdict_why: str
    exposure: tuple[Exposure, ...]
    cutouts: tuple[Cutout, ...] | None
    cutouts_reason: str | None = None
    battery: Battery | None
    battery_reason: str | None = None
    runout: Runout
    service: tuple[Finding, ...] | None
    service_reason: str | None = None
    sensors: tuple[SensorFlag, ...]
    work: Work | None = None
    work_reason: str | None = "not looked at"
    answers: tuple[FoodAnswer, ...] = ()
    """What published texts say of food nobody wrote down: in a freezer that warmed, a unit that is silent."""
    mean_kinetic_c: float | None = None
    """Mean kinetic temperature of medicine over all that is looked at: a trend, never a reason to keep it."""
    mean_kinetic_c_reason: str | None = None
