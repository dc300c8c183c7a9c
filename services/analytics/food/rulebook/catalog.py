"""Every rule set by its name."""

from services.analytics.food.rulebook import eu_853, eu_quick_frozen, fda_food_code, fsanz, others, za_r638
from services.analytics.food.rulebook.clause import RuleSet

RULES: dict[str, RuleSet] = {
    rules.name: rules
    for rules in (
        za_r638.RULES,
        fda_food_code.RULES,
        fsanz.RULES,
        others.UK_8C,
        eu_853.RULES,
        eu_quick_frozen.RULES,
        others.FSIS,
        others.BOTSWANA,
        others.ERITREA,
    )
}
"""Rule sets an operator may choose. Fish on melting ice (853/2004 Section VIII) and frozen food under
the Food Code (3-501.11) and Standard 3.2.2 have no number there, so none is given here. For Kenya,
Tanzania, Zambia and Namibia no number could be read: they have no set."""
DEFAULT_RULES = za_r638.RULES.name
