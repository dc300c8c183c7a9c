"""What food was lost or is held, by place: what the next supply run has to bring."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from dashboards.kitchen import standing
from services.domain import BatchCard, Fleet, FoodClass, UnitCard, Verdict

Fate = Literal["discarded", "held"]


@dataclass(frozen=True, slots=True)
class Lost:
    """Food that was thrown away, or that is held and may have to be."""

    fate: Fate
    t_ms: int | None
    """When it was thrown away, or since when it is held."""
    unit: str
    what: str
    """Empty where nobody wrote it down."""
    food_class: FoodClass
    quantity: float | None
    quantity_unit: str
    medicine: bool
    batch: int | None


@dataclass(frozen=True, slots=True)
class Thrown:
    """A person's word that all of a cabinet's food was thrown away."""

    unit: str
    t_ms: int


@dataclass(frozen=True, slots=True)
class Need:
    """How much of one class of food was lost in one place, in one unit of measure."""

    food_class: FoodClass
    quantity: float
    quantity_unit: str
    uncounted: int
    """Batches of it without an amount."""


def _of_batch(card: BatchCard, fate: Fate) -> Lost:
    batch = card.batch
    return Lost(
        fate=fate,
        t_ms=batch.since if fate == "discarded" else card.standing_since,
        unit=batch.unit or "",
        what=batch.what,
        food_class=batch.food_class,
        quantity=batch.quantity,
        quantity_unit=batch.quantity_unit,
        medicine=batch.food_class == "medicine",
        batch=batch.id,
    )


def _unnamed(fate: Fate, unit: str, t_ms: int | None, *, medicine: bool) -> Lost:
    return Lost(fate, t_ms, unit, "", "unknown", None, "", medicine, None)


def _stands(card: UnitCard) -> Verdict:
    """Return what stands of a cabinet's own clock; a person who threw its food away has just lowered it."""
    return card.standing if card.own_standing is None else card.own_standing


def lost(
    discarded: Sequence[BatchCard],
    stored: Iterable[BatchCard],
    thrown: Iterable[Thrown],
    cards: Sequence[UnitCard],
) -> list[Lost]:
    """Return what was thrown away and what is held, the newest first.

    A cabinet's food that nobody wrote down is a line too, without an amount: nothing is worse for a
    shopping list than what is silently missing from it.
    """
    kinds = {card.unit: card.classes for card in cards}
    found = [_of_batch(card, "discarded") for card in discarded]
    told = {(each.unit, each.t_ms) for each in found}
    found += [
        _unnamed("discarded", each.unit, each.t_ms, medicine="medicine" in kinds.get(each.unit, ()))
        for each in thrown
        if (each.unit, each.t_ms) not in told
    ]
    held = [card for card in stored if standing(card).rank >= Verdict.HOLD.rank]
    found += [_of_batch(card, "held") for card in held]
    found += [
        _unnamed("held", card.unit, card.standing_since, medicine="medicine" in card.classes)
        for card in cards
        if _stands(card).rank >= Verdict.HOLD.rank and card.batches == 0
    ]
    return sorted(found, key=lambda each: 0 if each.t_ms is None else -each.t_ms)


def needs(found: Iterable[Lost]) -> list[Need]:
    """Return how much of each class was thrown away; what is held is not lost yet."""
    sums: dict[tuple[FoodClass, str], tuple[float, int]] = {}
    for each in found:
        if each.fate != "discarded" or each.medicine:
            continue
        unit = each.quantity_unit if each.quantity is not None else ""
        amount, uncounted = sums.get((each.food_class, unit), (0.0, 0))
        more = (amount, uncounted + 1) if each.quantity is None else (amount + each.quantity, uncounted)
        sums[each.food_class, unit] = more
    return [
        Need(food_class, amount, unit, uncounted)
        for (food_class, unit), (amount, uncounted) in sorted(sums.items())
    ]


def by_place(found: Iterable[Lost], fleet: Fleet) -> Mapping[str, list[Lost]]:
    """Return lines by the place of their cabinet, in the order of the fleet; "" where that is unknown."""
    sites = {unit.id: unit.site or "" for unit in fleet.units}
    groups: dict[str, list[Lost]] = {site.id: [] for site in fleet.sites}
    for each in found:
        groups.setdefault(sites.get(each.unit, ""), []).append(each)
    return {place: lines for place, lines in groups.items() if lines}
