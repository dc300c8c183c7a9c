import pytest

from dashboards.rulenames import NAMES, rule_names
from services.analytics.food.rulebook.catalog import RULES
from services.analytics.food.rulebook.medicine import LINES


def test_every_rule_set_has_a_name_of_its_own():
    known = set(RULES) | {line.rule for line in LINES}
    assert set(NAMES) == known
    assert len(set(NAMES.values())) == len(known)
    assert not any("°" in name for name in NAMES.values()), "a name is no temperature to be turned into °F"


@pytest.mark.parametrize(
    ("told", "read"),
    [
        ("133 min above 4.0 °C (za-r638-2018)", "133 min above 4.0 °C (South Africa R638)"),
        ("fda-food-code-2022, 1 K inside", "US Food Code 2022, 1 K inside"),
        ("uk-8c; eu-853-2004", "UK chill rule; EU 853/2004"),
        ("eu-quick-frozen-89-108", "EU 89/108, quick-frozen"),
        ("our-fsis-line and uk-8c-kitchen", "our-fsis-line and uk-8c-kitchen"),
        ("drinks", "drinks"),
    ],
)
def test_ids_of_rule_sets_are_read_as_names_and_a_houses_own_stay(told, read):
    assert rule_names(told) == read
