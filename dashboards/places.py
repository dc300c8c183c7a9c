"""Where food can go: cabinets of the same place that are cold, have room and last until dawn."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboards import foodwords
from dashboards.language import food
from dashboards.urgency import battery_fails_tonight
from services.domain import BatchCard, FoodClass, Unit, UnitCard, Verdict


@dataclass(frozen=True, slots=True)
class Place:
    """A cabinet that could take the food, with what to mind."""

    unit: str
    name: str
    reading_c: float
    lasts: bool
    room_kg: float | None
    """None when nobody can tell."""
    apart: str
    """What to mind about raw and ready-to-eat food, empty when nothing."""

    @property
    def words(self) -> str:
        """Return the cabinet with what to mind about it."""
        minds = []
        if not self.lasts:
            minds.append(food("may not last until dawn"))
        if self.room_kg is not None:
            minds.append(
                food("full by what is written down")
                if self.full
                else food("room for about %(room_kg)s kg", room_kg=f"{self.room_kg:.0f}")
            )
        if self.apart:
            minds.append(self.apart)
        return f"{self.name} ({'; '.join(minds)})" if minds else self.name

    @property
    def full(self) -> bool:
        """Return whether it is full by what is written down."""
        return self.room_kg is not None and self.room_kg < 1.0


@dataclass(frozen=True, slots=True)
class Larder:
    """Everything of one place that a choice of cabinet rests on."""

    cards: tuple[UnitCard, ...]
    units: tuple[Unit, ...] = ()
    batches: tuple[BatchCard, ...] = ()

    def inside(self, unit: str) -> list[BatchCard]:
        """Return the batches stored in a cabinet."""
        return [b for b in self.batches if b.batch.unit == unit and b.batch.place == "stored"]


def reading_c(card: UnitCard) -> float:
    """Return the newest cabinet temperature, infinite where there is none [°C]."""
    return float(card.latest.get("cabinet_c", math.inf))


def own_standing(card: UnitCard) -> Verdict:
    """Return what stands of the cabinet's own clock, whatever single batches in it are like."""
    own = card.standing if card.own_standing is None else card.own_standing
    return max(own, card.computed, key=lambda verdict: verdict.rank)


def colder_places(
    card: UnitCard, larder: Larder, *, limit_c: float | None = None, classes: Sequence[FoodClass] = ()
) -> list[Place]:
    """Return cabinets of the same kind and place that are cold enough for this one's food, best first.

    `limit_c` is the limit of the food that moves, the cabinet's own when not given; `classes` are its
    food classes, so that raw food is kept apart from what is ready to eat.
    """
    limit = card.limit_c if limit_c is None else limit_c
    found = [
        _place(other, larder, classes)
        for other in larder.cards
        if other.unit != card.unit
        and other.site == card.site
        and other.kind == card.kind
        and other.state == "in_use"
        and own_standing(other) is Verdict.OK
        and not other.cut_out_now
        and "medicine" not in other.classes
        and reading_c(other) <= limit
    ]
    return sorted(found, key=lambda p: (not p.lasts, p.full, bool(p.apart), p.reading_c))


def _place(other: UnitCard, larder: Larder, classes: Sequence[FoodClass]) -> Place:
    inside = larder.inside(other.unit)
    return Place(
        unit=other.unit,
        name=other.name,
        reading_c=reading_c(other),
        lasts=not battery_fails_tonight(other),
        room_kg=_room_kg(next((u for u in larder.units if u.id == other.unit), None), inside),
        apart=_apart(classes, inside),
    )


def _room_kg(unit: Unit | None, inside: Iterable[BatchCard]) -> float | None:
    if unit is None or unit.volume_l is None:
        return None
    weights = [b.batch.quantity if b.batch.quantity_unit in {"kg", "l"} else None for b in inside]
    known = [weight for weight in weights if weight is not None]
    declared = unit.food.load_kg
    if declared is None and (not weights or len(known) < len(weights)):
        return None
    taken = max(sum(known), 0.0 if declared is None else declared)
    return max(0.0, unit.volume_l * foodwords.KG_PER_L - taken)


def _apart(classes: Sequence[FoodClass], inside: Iterable[BatchCard]) -> str:
    raw = bool(set(classes) & foodwords.RAW_CLASSES)
    here = [b.batch for b in inside]
    if raw and any(batch.ready_to_eat for batch in here):
        return food("holds ready-to-eat food: raw goes below it, in a closed box")
    if (
        not raw
        and classes
        and any(b.food_class in foodwords.RAW_CLASSES and not b.ready_to_eat for b in here)
    ):
        return food("holds raw food: ready-to-eat goes above it, covered")
    return ""
