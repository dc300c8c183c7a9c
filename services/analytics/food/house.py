"""An operator's own rules: they may only be tighter than the published set they stand on."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from services.analytics.food.limit import Limit
from services.analytics.food.rulebook.catalog import DEFAULT_RULES, RULES
from services.analytics.food.rulebook.clause import FROZEN
from services.domain import FoodClass, HouseRules


def house_faults(house: HouseRules) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield where an operator's own set is looser than its base, or not to be understood: key and words."""
    if house.name in RULES:
        yield ("name",), f"{house.name!r} is the name of a published rule set"
    base = RULES.get(house.base)
    if base is None:
        yield ("base",), f"no rule set named {house.base!r}; known are {', '.join(sorted(RULES))}"
        return
    for food_class, limit_c in house.limits_c.items():
        row = base if food_class in base.limits_c else RULES[DEFAULT_RULES]
        published_c = row.limits_c.get(food_class)
        if published_c is None:
            yield ("limits_c", food_class), f"no published limit for {food_class} to tighten"
        elif limit_c > published_c:
            told = f"{limit_c:g} °C is looser than {round(published_c, 2):g} °C of {row.name}"
            yield ("limits_c", food_class), f"{told}; own rules may only be tighter"
    for key, minutes, most in (
        ("hold_min", house.hold_min, base.hold_min),
        ("discard_min", house.discard_min, base.discard_min),
    ):
        if minutes is not None and minutes > most:
            yield (
                (key,),
                f"{minutes:g} min is looser than {most:g} min of {base.name}; own rules may only be tighter",
            )
    if house.hold_min is not None and house.discard_min is not None and house.hold_min > house.discard_min:
        yield ("hold_min",), "must not lie above discard_min"


def house_limits(house: HouseRules, foods: Sequence[FoodClass], published: Sequence[Limit]) -> list[Limit]:
    """Return what an operator's own set adds: one frozen and one chilled line, where they are tighter."""
    found: list[Limit] = []
    for frozen in (True, False):
        lines = [x for x in published if x.frozen == frozen and x.rule in {house.base, DEFAULT_RULES}]
        if not lines:
            continue
        base = min(lines, key=lambda x: x.limit_c)
        own_c = [c for name, c in house.limits_c.items() if (name in FROZEN) == frozen and name in foods]
        tight = replace(
            base,
            limit_c=min([base.limit_c, *own_c]),
            hold_min=_least(base.hold_min, house.hold_min),
            hot_hold_min=_least(base.hot_hold_min, house.hold_min),
            discard_min=None if base.discard_min is None else _least(base.discard_min, house.discard_min),
            hot_discard_min=(
                None if base.hot_discard_min is None else _least(base.hot_discard_min, house.discard_min)
            ),
        )
        if tight != base:
            said = f", said by {house.said_by}" if house.said_by else ""
            words = f"the operator's own rule{said}, tighter than {base.source}"
            found.append(
                replace(tight, rule=house.name, law=False, lawful_min=0.0, source=words, ladder_source=words)
            )
    return found


def _least(published: float, own: float | None) -> float:
    return published if own is None else min(published, own)
