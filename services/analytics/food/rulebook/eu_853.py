"""European Union, Regulation (EC) 853/2004: meat by its kind."""

from typing import Any

from services.analytics.food.rulebook.clause import NO_START, STRICT, Clause, RuleSet, no_time

_ALL: dict[str, Any] = {
    "quantity": "core",
    "operator": "<=",
    "unit": "°C",
    "counts": STRICT,
    "starts": NO_START,
    "at_limit": "not compliant at once; the document has no clock",
    "read": "read in a secondary copy",
    "read_on": "2026-11-25",
    "edition": "Annex III, consolidated",
}

RULES = RuleSet(
    name="eu-853-2004",
    document="Regulation (EC) 853/2004, Annex III",
    ladder_source=no_time("the Regulation"),
    clauses=(
        Clause(
            id="eu-853-2004/meat",
            food_classes=("red_meat",),
            limit=7.0,
            section="Section I Chapter VII",
            words="meat not above 7 °C",
            **_ALL,
        ),
        Clause(
            id="eu-853-2004/offal",
            food_classes=("offal",),
            limit=3.0,
            section="Section I Chapter VII",
            words="offal not above 3 °C",
            **_ALL,
        ),
        Clause(
            id="eu-853-2004/poultry",
            food_classes=("poultry",),
            limit=4.0,
            section="Section II",
            words="poultry meat not above 4 °C",
            **_ALL,
        ),
        Clause(
            id="eu-853-2004/game",
            food_classes=("game",),
            limit=4.0,
            section="Section IV",
            words="small wild game not above 4 °C, taken for all game (clause number from memory)",
            **_ALL,
        ),
        Clause(
            id="eu-853-2004/mince",
            food_classes=("mince",),
            limit=2.0,
            section="Section V Chapter III 2(c)",
            words="minced meat not above 2 °C",
            **_ALL,
        ),
    ),
)
