"""The limits one batch is held to, wherever it has been."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from services.analytics.food.batchair import Air
from services.analytics.food.limit import Limit
from services.analytics.food.rules import MOVING, limits_for
from services.domain import FoodClass, Life, UnitSettings

THAWED: dict[FoodClass, FoodClass] = {"frozen_fish": "fish", "frozen_other": "other_chilled"}
"""The class whose row applies to frozen food once it is thawed; ice cream has none: it is discarded."""


def batch_limits(life: Life, airs: Mapping[str, Air]) -> tuple[tuple[Limit, ...], list[str]]:
    """Return every limit of every cabinet it was in: the strictest follow it wherever it goes.

    Rules that held for a cabinet while the food was in it hold on when others are chosen for it.
    """
    found: dict[tuple[str, float, bool], Limit] = {}
    assumed: list[str] = []
    for settings, frozen in _kept(life, airs):
        site = settings.site
        asked: FoodClass = life.batch.food_class
        held = limits_for(
            settings.rules,
            settings.house_rules,
            (asked if frozen else THAWED.get(asked, asked),),
            freezer=frozen,
            moving=site is not None and site.kind in MOVING,
            vulnerable=settings.unit.food.vulnerable_guests,
            brief_min=settings.unit.food.brief_min,
            error_k=settings.unit.sensor.error_k,
        )
        assumed += held.assumed
        for limit in held.limits:
            key = (limit.rule, limit.limit_c, limit.below)
            found[key] = limit if key not in found else _stricter(found[key], limit)
    if not found:
        held = limits_for(
            (), (), (life.batch.food_class,), freezer=life.batch.frozen, moving=False, vulnerable=False
        )
        assumed.append("no cabinet known: held to the rules that apply where none are chosen")
        return held.limits, assumed
    return tuple(found.values()), assumed


def lowest_c(life: Life, limits: Sequence[Limit]) -> float:
    """Return the strictest upper limit that counts as it is kept now."""
    upper = [limit for limit in limits if not limit.below and not limit.guard]
    asked = [limit for limit in upper if life.batch.frozen or not limit.frozen]
    return min(limit.limit_c for limit in asked or upper)


def _stricter(one: Limit, other: Limit) -> Limit:
    """Return the limit under which time leads to more."""

    def key(limit: Limit) -> tuple[float, float, float]:
        never = np.inf
        discard = never if limit.discard_min is None else limit.discard_min
        return (discard, limit.hold_min, limit.lawful_min)

    return min(one, other, key=key)


def _kept(life: Life, airs: Mapping[str, Air]) -> Iterator[tuple[UnitSettings, bool]]:
    seen: set[tuple[str, bool]] = set()
    for stay in life.stays:
        unit = stay.unit
        if unit is not None and unit in airs and (unit, stay.frozen) not in seen:
            seen.add((unit, stay.frozen))
            yield from ((settings, stay.frozen) for settings in (airs[unit].settings, *airs[unit].earlier))
    host = life.batch.unit
    if not seen and host is not None and host in airs:
        yield from ((settings, life.batch.frozen) for settings in (airs[host].settings, *airs[host].earlier))
