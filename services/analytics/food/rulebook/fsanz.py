"""Australia and New Zealand: FSANZ Standard 3.2.2 with the 2-hour/4-hour rule."""

from services.analytics.food.rulebook.clause import CHILLED, NO_START, STRICT, Clause, RuleSet

_EDITION = "Food Standards Code, Standard 3.2.2, as compiled"
_DAY = "2026-11-25"

RULES = RuleSet(
    name="fsanz-3.2.2",
    document="FSANZ Food Standards Code, Standard 3.2.2",
    ladder_source="FSANZ 2-hour/4-hour rule (read in a copy): under 2 h back to the fridge, 2 to 4 h use "
    "now, over 4 h throw away; that on a limit counts as reached, and 60 min in air above 32.2 °C, are ours",
    clauses=(
        Clause(
            id="fsanz-3.2.2/cold",
            food_classes=CHILLED,
            quantity="core",
            operator="<=",
            limit=5.0,
            unit="°C",
            counts=STRICT,
            starts=NO_START,
            at_limit="not compliant, unless the 2-hour/4-hour rule is shown to be kept (clause 25)",
            section="clauses 6(2), 8(5), 10",
            read="read in a secondary copy",
            read_on=_DAY,
            edition=_EDITION,
            words="at or below 5 °C",
        ),
        Clause(
            id="fsanz-3.2.2/2h-4h",
            food_classes=(),
            quantity="elapsed",
            operator="<",
            limit=240.0,
            unit="min",
            counts="every period between 5 and 60 °C over the whole life of the food, added up",
            starts="when it first passes 5 °C; never again at nought",
            at_limit="from 120 min use now and do not put it back; from 240 min throw away",
            section="2-hour/4-hour rule (guidance to clause 25)",
            read="read in a copy",
            read_on=_DAY,
            edition=_EDITION,
            applied_by="elapsed",
        ),
        Clause(
            id="fsanz-3.2.2/cool-1",
            food_classes=(),
            quantity="elapsed",
            operator="<=",
            limit=120.0,
            unit="min",
            counts="elapsed time from 60 to 21 °C",
            starts="when the core passes 60 °C going down",
            at_limit="fails",
            section="clause 7(3)(a)",
            read="read in a secondary copy",
            read_on=_DAY,
            edition=_EDITION,
            applied_by="cooling",
        ),
        Clause(
            id="fsanz-3.2.2/cool-2",
            food_classes=(),
            quantity="elapsed",
            operator="<=",
            limit=240.0,
            unit="min",
            counts="elapsed time from 21 to 5 °C; time saved before may not be used here",
            starts="when the core passes 21 °C going down",
            at_limit="fails",
            section="clause 7(3)(b)",
            read="read in a secondary copy",
            read_on=_DAY,
            edition=_EDITION,
            applied_by="cooling",
        ),
    ),
)
