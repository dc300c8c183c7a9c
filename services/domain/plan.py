"""What a planned trip comes to: will it hold, where is it weakest, and what would make it hold."""

from typing import Literal

from pydantic import Field

from services.domain._analysis import Quantiles
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant, WithReasons

HOLDS_FROM = 0.9
"""Chance of coming through without a stop from which a plan is said to hold: the early end (judgement)."""

Doing = Literal["driving", "mains", "generator", "stopped"]
ChangeKind = Literal["bank", "cable", "panel", "drive", "charge", "load_cold"]


class PlanHour(Frozen):
    """One hour of the trip."""

    at: Instant
    day: int
    doing: Doing
    outside_c: float
    """Air in the shade on an ordinary day, mean over the hour."""


class BankPlan(WithReasons):
    """One bank through the trip."""

    bank: str
    capacity_ah: float
    """By its label."""
    units: tuple[str, ...]
    soc: tuple[Quantiles, ...]
    """At the end of each hour."""
    out_ah_per_day: float
    in_ah_per_day: float
    weakest_at: Instant
    """End of the hour in which the early end of the range comes nearest to the first cut-out."""
    weakest_soc: Quantiles
    cutout_soc: Quantiles
    """State of charge at which the first of its cabinets cuts out."""
    chance: float
    """Of coming through without one cut-out."""
    engine_may_not_start: Instant | None
    """First hour in which one in ten such banks would not start the engine."""
    engine_may_not_start_reason: str | None = None
    remarks: tuple[str, ...]


class UnitPlan(WithReasons):
    """One cabinet through the trip."""

    unit: str
    name: str
    bank: str | None
    bank_reason: str | None = None
    set_point_c: float
    limit_c: float | None
    """That of its food; where nothing in it has one, none."""
    limit_c_reason: str | None = None
    cabinet_c: tuple[Quantiles, ...]
    """Mean air of each hour; it swings about a kelvin around that."""
    food_c: tuple[Quantiles, ...]
    """At the end of each hour, of what was cold in it from the start."""
    warmest: Quantiles
    """Highest of `food_c`, trip by trip."""
    duty: Quantiles
    """Share of the time it runs while it has power."""
    chance_running: float
    chance_cold: float
    """Of its food staying under the limit throughout."""
    first_cutout: Instant | None
    """Hour by which one in ten such trips would have had a cut-out."""
    first_cutout_reason: str | None = None
    cable_drop_v: float | None
    cable_drop_share: float | None
    """Of nominal voltage, running."""
    cable_drop_v_reason: str | None = None
    cable_drop_share_reason: str | None = None


class LoadPlan(WithReasons):
    """What something warm costs."""

    unit: str
    what: str
    kg: float
    warm_c: float
    at: Instant
    cold_hours: Quantiles | None
    """Until it is within 2 K of the set point."""
    cold_hours_reason: str | None = None
    costs_ah: float
    """Beyond what the trip draws without any warm load."""
    full_duty_hours: float | None
    """Running without a break and nothing else in it, from its own temperature to 1 K above the set point."""
    full_duty_hours_reason: str | None = None


class Step(Frozen):
    """One thing to change."""

    kind: ChangeKind
    amount: float
    """What is added, or the new section of the cable."""
    unit: str
    """Of the amount."""


class Change(Frozen):
    """The smallest change of its kind that makes a bank hold, or the best tried that does not."""

    bank: str
    steps: tuple[Step, ...]
    """One, or two together where none alone is enough."""
    chance: float
    enough: bool


class Plan(Frozen):
    """A trip worked out hour by hour."""

    schema_: Literal["bushlarder/plan/1"] = Field(
        default="bushlarder/plan/1", serialization_alias="schema", validation_alias="schema"
    )
    name: str
    timezone: str
    hours: tuple[PlanHour, ...]
    trips: int
    """How many were drawn."""
    holds: bool
    chance: float
    """Of coming through without a cut-out and with all food under its limit."""
    banks: tuple[BankPlan, ...]
    units: tuple[UnitPlan, ...]
    loads: tuple[LoadPlan, ...]
    changes: tuple[Change, ...]
    assumed: tuple[str, ...]
    cautions: tuple[str, ...]
