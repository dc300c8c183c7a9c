"""One probe in one piece of food against every rule chosen: core and surface, as the law asks."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from services.analytics.food.rulebook.catalog import RULES
from services.domain import Evidence, FoodClass


@dataclass(frozen=True, slots=True)
class SpotCheck:
    """What one document says of one piece of food now."""

    rule: str
    sellable: Literal["yes", "no", "unknown"]
    reasons: tuple[Evidence, ...]
    why: str


def spot_check(
    rules: Sequence[str], food_class: FoodClass, *, core_c: float | None, surface_c: float | None = None
) -> tuple[SpotCheck, ...]:
    """Return each document's answer for readings in the core and on the surface.

    Parameters
    ----------
    rules : sequence of str
        Names of published rule sets; those without a number for the class are left out.
    food_class : str
        What it is, as it is kept now.
    core_c, surface_c : float or None
        What the probe showed. [°C]

    References
    ----------
    .. [1] South Africa R638 of 2018, regulation 8(4)(a)(ii), read in a copy: not to be sold where the
       core is above its limit, or the surface more than 2 °C above it.
    """
    found = []
    for name in rules:
        chosen = RULES[name]
        row = chosen.clause_of(food_class)
        if row is None:
            continue
        source = chosen.source(row)
        reasons = [] if core_c is None else [_row("core", core_c, row.limit, source)]
        margins = [c for c in chosen.clauses if c.applied_by == "spot_check" and food_class in c.food_classes]
        if surface_c is not None:
            reasons += [
                _row("surface", surface_c, row.limit + margin.limit, chosen.source(margin))
                for margin in margins
            ]
        found.append(_told(name, core_c, reasons))
    return tuple(found)


def _told(rule: str, core_c: float | None, reasons: Sequence[Evidence]) -> SpotCheck:
    over = [r for r in reasons if r.value > r.threshold]
    if over:
        why = "; ".join(f"{r.quantity} {r.value:g} °C, above {round(r.threshold, 2):g} °C" for r in over)
        return SpotCheck(rule, "no", tuple(reasons), f"not to be sold: {why}")
    if core_c is None:
        return SpotCheck(rule, "unknown", tuple(reasons), "the core was not measured")
    return SpotCheck(rule, "yes", tuple(reasons), "within this document's temperatures when it was measured")


def _row(quantity: str, value_c: float, threshold_c: float, source: str) -> Evidence:
    return Evidence(
        quantity=quantity, value=value_c, operator=">", threshold=threshold_c, unit="°C", source=source
    )
