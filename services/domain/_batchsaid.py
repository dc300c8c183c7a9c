"""What a person may say of a batch of food, one shape for each kind of event."""

from datetime import date
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, StringConstraints, TypeAdapter

from services.domain._batch import FoodTemperatureC, Line, Tag
from services.domain._fleet import FoodClass, Identifier, UnitSettings
from services.domain._frozen import Frozen

Disposition = Literal["kept", "cooked_at_once", "refrozen", "moved", "discarded"]
"""What became of the food when a hold was closed."""

TIME_CONTROL_RULES = frozenset({"fda-food-code-2022"})
"""Rule sets that know time in place of cold (US FDA Food Code 2022, 3-501.19)."""

_Reason = Annotated[str, StringConstraints(min_length=1, max_length=500, strip_whitespace=True)]
_Quantity = Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)]


class _Said(Frozen):
    person: Line
    happened: AwareDatetime | None = None
    """When it happened, when that was not just now: up to 72 h ago, never in the future."""


class _Probed(_Said):
    probe_c: FoodTemperatureC | None = None
    """What a probe in the core showed."""


class MovedSaid(_Probed):
    """It was put into another cabinet."""

    kind: Literal["moved"]
    unit: Identifier


class PutBackSaid(_Probed):
    """It was put back after it had been out; without a cabinet, into the one it came from."""

    kind: Literal["put_back"]
    unit: Identifier | None = None


class SplitSaid(_Said):
    """A part of it goes its own way from here on, with all the time it has behind it."""

    kind: Literal["split"]
    quantity: _Quantity | None = None
    unit: Identifier | None = None


class ProbedSaid(_Said):
    """A probe was put into the core and, where the law asks for it too, held to the surface."""

    kind: Literal["probed"]
    probe_c: FoodTemperatureC
    surface_c: FoodTemperatureC | None = None
    ice: bool | None = None
    """Whether ice was seen in it; None: nobody looked."""
    note: Tag = ""


class FrozenSaid(_Probed):
    """It is kept as frozen food from here on."""

    kind: Literal["frozen"]
    unit: Identifier | None = None


class ThawedSaid(_Probed):
    """It is no longer kept as frozen food."""

    kind: Literal["thawed"]
    unit: Identifier | None = None


class OpenedSaid(_Said):
    """A pack was opened, or the food prepared: day 1 of its date mark."""

    kind: Literal["opened"]


class TakenOutSaid(_Probed):
    """It was taken out of the cold, to be served or worked on."""

    kind: Literal["taken_out"]
    time_control: Literal["4h", "6h"] | None = None
    """Time stands in place of cold from here on, under a procedure written beforehand: never back."""
    written_procedure: bool | None = None
    """Whether that procedure was there before the food was taken out."""
    marked: bool | None = None
    """Whether the time it has to go stands on it."""


class CoolingSaid(_Probed):
    """It was cooked and is being cooled down."""

    kind: Literal["cooling_started"]


class UsedSaid(_Probed):
    """It is gone: eaten or sold, cooked, or thrown away."""

    kind: Literal["served", "cooked", "discarded"]
    note: Tag = ""


class HoldClosedSaid(_Said):
    """A hold was closed, by somebody with a name, a probe, an answer and a reason."""

    kind: Literal["hold_closed"]
    probe_c: FoodTemperatureC
    disposition: Disposition
    reason: _Reason
    unit: Identifier | None = None
    """Where it was moved or frozen."""


class CorrectedSaid(_Said):
    """What was said before was not so; both stay to be read.

    Either details of the batch, or an earlier `event`: withdrawn, or with another `probe_c`.
    """

    kind: Literal["corrected"]
    event: int | None = Field(default=None, ge=1)
    withdrawn: bool | None = None
    probe_c: FoodTemperatureC | None = None
    what: Line | None = None
    food_class: FoodClass | None = None
    quantity: _Quantity | None = None
    piece_kg: float | None = Field(default=None, gt=0, le=500, allow_inf_nan=False)
    use_by: date | None = None
    opened_on: date | None = None
    ready_to_eat: bool | None = None
    vacuum_packed: bool | None = None
    supplier: Tag | None = None
    lot: Tag | None = None
    note: Tag | None = None


BatchSaid = Annotated[
    MovedSaid
    | PutBackSaid
    | SplitSaid
    | ProbedSaid
    | FrozenSaid
    | ThawedSaid
    | OpenedSaid
    | TakenOutSaid
    | CoolingSaid
    | UsedSaid
    | HoldClosedSaid
    | CorrectedSaid,
    Field(discriminator="kind"),
]
"""One thing said of a batch, told apart by its kind."""


def knows_time_control(settings: UnitSettings) -> bool:
    """Return whether the rules of a cabinet, or what its own sets tighten, know time in place of cold."""
    bases = {house.name: house.base for house in settings.house_rules}
    return any(bases.get(name, name) in TIME_CONTROL_RULES for name in settings.rules)


BATCH_SAID: TypeAdapter[BatchSaid] = TypeAdapter(BatchSaid)
"""Reads what was said of a batch."""
