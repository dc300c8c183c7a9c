"""Shorter documents: the UK chill rule, USDA FSIS guidance, Botswana's meat and Eritrea's fish rules."""

from services.analytics.food.rulebook.clause import (
    CHILLED,
    NO_START,
    STRICT,
    Clause,
    RuleSet,
    celsius,
    no_time,
)
from services.domain import FoodClass

_DAY = "2026-11-25"

UK_8C = RuleSet(
    name="uk-8c",
    document="UK chill rule (SR 2006/3 Schedule 4 and its sisters)",
    ladder_source="this project's decision: hold at 120 min, at 60 min in air above 32.2 °C, discard advised "
    "at 240 min, all added up; the rule's single tolerance period under 4 h is not used",
    clauses=(
        Clause(
            id="uk-8c/cold",
            food_classes=CHILLED,
            quantity="core",
            operator="<=",
            limit=8.0,
            unit="°C",
            counts=STRICT,
            starts=NO_START,
            at_limit="not compliant",
            section="Schedule 4",
            read="read in a copy",
            read_on=_DAY,
            edition="2006",
            words="at or below 8 °C; its single tolerance period is not used",
        ),
    ),
)

FSIS = RuleSet(
    name="fsis",
    document="USDA FSIS refrigeration charts",
    ladder_source="USDA FSIS (read in secondary copies): discard perishables held above 40 °F for over 2 h, "
    "over 1 h where the air is above 90 °F; all periods are added up here",
    discard_min=120.0,
    hot_discard_min=60.0,
    clauses=(
        Clause(
            id="fsis/cold",
            food_classes=CHILLED,
            quantity="core",
            operator="<=",
            limit=celsius(40.0),
            unit="°C",
            counts="every minute above it",
            starts="when it passes 40 °F (4.44 °C)",
            at_limit="discard perishables over 2 h, over 1 h where the air is above 90 °F (32.2 °C)",
            section="2-hour rule",
            read="read in a secondary copy",
            read_on=_DAY,
            edition="charts as published 2020-2024",
            words="perishables above 4.44 °C (40 °F) for over 2 h, over 1 h in air above 32.2 °C (90 °F)",
        ),
        Clause(
            id="fsis/outage",
            food_classes=(),
            quantity="elapsed",
            operator="<=",
            limit=240.0,
            unit="min",
            counts="elapsed time without power, doors shut, where nothing was measured",
            starts="when the power fails",
            at_limit="no longer presumed cold: probe each item",
            section="food in a power outage",
            read="read in a secondary copy",
            read_on=_DAY,
            edition="charts as published 2020-2024",
            applied_by="outage",
            words="fridge about 4 h, full freezer about 48 h, half-full about 24 h",
        ),
    ),
)

_BOTSWANA: tuple[tuple[str, FoodClass, float, str], ...] = (
    ("meat", "red_meat", 7.0, "carcasses and cuts not above 7 °C"),
    ("offal", "offal", 3.0, "offal not above 3 °C"),
    ("frozen", "frozen_other", -12.0, "frozen meat not above -12 °C"),
)

BOTSWANA = RuleSet(
    name="bw-2007",
    document="Botswana, Meat Inspection and Control of Red Meat Abattoir Regulations 2007",
    ladder_source=no_time("the Schedule"),
    clauses=tuple(
        Clause(
            id=f"bw-2007/{name}",
            food_classes=(food_class,),
            quantity="core",
            operator="<=",
            limit=limit,
            unit="°C",
            counts=STRICT,
            starts="when it is loaded, and while it is carried",
            at_limit="may not be loaded or carried",
            section="17th Schedule paragraph 2",
            read="read in a secondary copy",
            read_on=_DAY,
            edition="2007",
            words=f"loaded and carried: {words}",
        )
        for name, food_class, limit, words in _BOTSWANA
    ),
)
ERITREA = RuleSet(
    name="er-67-2003",
    document="Eritrea, Legal Notice 67/2003",
    ladder_source="article 12 (read in a secondary copy): above 4 °C for 2 h at most in all",
    discard_min=120.0,
    hot_discard_min=120.0,
    lawful_min=120.0,
    clauses=(
        Clause(
            id="er-67-2003/scombroid",
            food_classes=("fish",),
            quantity="core",
            operator="<=",
            limit=4.0,
            unit="°C",
            counts="every minute above 4 °C, added up",
            starts="once the catch was chilled",
            at_limit="over 2 h in all: histamine, which no cooking mends",
            section="article 12",
            read="read in a secondary copy",
            read_on=_DAY,
            edition="2003",
            words="mackerel, tuna and the like above 4 °C for 2 h at most in all; taken for all fish",
        ),
        Clause(
            id="er-67-2003/chilling",
            food_classes=("fish",),
            quantity="elapsed",
            operator="<=",
            limit=360.0,
            unit="min",
            counts="elapsed time until the core is at 10 °C or less",
            starts="when it was caught",
            at_limit="not compliant",
            section="article 12",
            read="read in a secondary copy",
            read_on=_DAY,
            edition="2003",
            applied_by="shown",
            words="mackerel, tuna and the like at 10 °C or less within 6 h: before it comes here",
        ),
        Clause(
            id="er-67-2003/ice",
            food_classes=("fish",),
            quantity="core",
            operator="<=",
            limit=1.0,
            unit="°C",
            counts=STRICT,
            starts=NO_START,
            at_limit="not compliant",
            section="article 12",
            read="read in a secondary copy",
            read_on=_DAY,
            edition="2003",
            applied_by="shown",
            words="fish at melting ice, 0 ± 1 °C: kept on ice, not judged from a cabinet's air",
        ),
    ),
)
