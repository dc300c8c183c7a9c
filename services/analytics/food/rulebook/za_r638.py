"""South Africa, R638 of 2018: core temperatures in storage, transport and display."""

from typing import Any

from services.analytics.food.rulebook.clause import NO_START, STRICT, Clause, RuleSet, no_time
from services.domain import FoodClass

_COPY: dict[str, Any] = {
    "operator": "<=",
    "unit": "°C",
    "counts": STRICT,
    "starts": NO_START,
    "at_limit": "may not be kept, carried, shown or sold above it; the document has no clock",
    "read": "read in a copy",
    "read_on": "2026-11-25",
    "edition": "22 June 2018",
}
_FOUR: tuple[FoodClass, ...] = ("poultry", "fish", "offal", "milk")
_OTHER: tuple[FoodClass, ...] = ("mince", "red_meat", "game", "cooked", "other_chilled")

RULES = RuleSet(
    name="za-r638-2018",
    document="South Africa R638 of 22 June 2018",
    ladder_source=no_time("R638"),
    clauses=(
        Clause(
            id="za-r638-2018/frozen-18",
            food_classes=("frozen_fish", "ice_cream"),
            quantity="core",
            limit=-18.0,
            section="regulation 8 and Annexure E",
            # The copy read prints "≥" in the frozen rows; regulation 8(4)(a)(i) says the core must
            # not exceed the value, so the rows are read as "≤".
            words='ice cream, frozen fish: core not above -18 °C (printed "≥", read as "≤" after 8(4)(a)(i))',
            **_COPY,
        ),
        Clause(
            id="za-r638-2018/frozen-12",
            food_classes=("frozen_other",),
            quantity="core",
            limit=-12.0,
            section="regulation 8 and Annexure E",
            words='any other food marketed as frozen: core not above -12 °C (printed "≥", read as "≤")',
            **_COPY,
        ),
        Clause(
            id="za-r638-2018/chilled-4",
            food_classes=_FOUR,
            quantity="core",
            limit=4.0,
            section="regulation 8 and Annexure E",
            words="raw fish, edible offal, poultry meat, milk: core not above +4 °C",
            **_COPY,
        ),
        Clause(
            id="za-r638-2018/chilled-5",
            food_classes=_OTHER,
            quantity="core",
            limit=5.0,
            section="regulation 8 and Annexure E",
            words="any other perishable food kept chilled: core not above +5 °C; venison not exempted",
            **_COPY,
        ),
        Clause(
            id="za-r638-2018/surface",
            food_classes=(*_FOUR, *_OTHER, "frozen_fish", "ice_cream", "frozen_other"),
            quantity="surface",
            limit=2.0,
            section="regulation 8(4)(a)(ii)",
            words="not to be sold with a surface more than 2 °C above the core's limit",
            applied_by="spot_check",
            **(_COPY | {"unit": "K", "at_limit": "may not be sold"}),
        ),
        Clause(
            id="za-r638-2018/hot",
            food_classes=("cooked",),
            quantity="core",
            limit=60.0,
            section="regulation 8 and Annexure E",
            words="perishable food kept neither frozen nor chilled: core not below +60 °C",
            applied_by="shown",
            **(_COPY | {"operator": ">=", "at_limit": "not judged here: no hot cabinet is watched"}),
        ),
    ),
)
