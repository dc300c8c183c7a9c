"""European Union, Directive 89/108/EEC: goods sold as quick-frozen, at rest and on the road."""

from typing import Any

from services.analytics.food.rulebook.clause import NO_START, STRICT, Clause, RuleSet

BRIEF_MIN = 60.0
"""How long "brief periods" in transport may last: no document gives a number; the operator's choice."""
BRIEF_C = -15.0
"""Directive 89/108/EEC article 5(1): in transport and local distribution not warmer than this, briefly."""

_ALL: dict[str, Any] = {
    "food_classes": ("frozen_fish", "frozen_other"),
    "quantity": "core",
    "operator": "<=",
    "unit": "°C",
    "counts": STRICT,
    "read": "read in a copy",
    "read_on": "2026-11-25",
    "edition": "consolidated to 1 July 2013",
}

RULES = RuleSet(
    name="eu-quick-frozen-89-108",
    document="Directive 89/108/EEC",
    ladder_source="this project's decision: hold after 120 min, cumulative; frozen limits end in hold",
    clauses=(
        Clause(
            id="eu-quick-frozen-89-108/18",
            limit=-18.0,
            starts=NO_START,
            at_limit="no longer quick-frozen food within the Directive",
            section="article 1 and 5",
            words="quick-frozen food at -18 °C or lower at all points (ice cream is not, article 1)",
            **_ALL,
        ),
        Clause(
            id="eu-quick-frozen-89-108/15",
            limit=BRIEF_C,
            starts="in transport and local distribution only",
            at_limit="not compliant, however briefly",
            section="article 5(1)",
            words="in transport brief periods, not warmer than -15 °C",
            **(_ALL | {"applied_by": "shown"}),
        ),
    ),
)
