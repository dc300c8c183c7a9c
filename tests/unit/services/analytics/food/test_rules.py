import pytest

from services.analytics.food.rules import RULES, limits_of
from services.errors import ConfigurationError
from tests.helpers.logs import unit


def limits(*args, **kwargs):
    return [(x.rule, round(x.limit_c, 3)) for x in limits_of(unit(*args, **kwargs)).limits]


@pytest.mark.parametrize(
    ("food_class", "limit_c"),
    [
        ("poultry", 4.0),
        ("fish", 4.0),
        ("offal", 4.0),
        ("milk", 4.0),
        ("mince", 5.0),
        ("red_meat", 5.0),
        ("game", 5.0),
        ("cooked", 5.0),
        ("other_chilled", 5.0),
        ("unknown", 4.0),
    ],
)
def test_every_chilled_class_has_its_limit_under_the_default_rules(food_class, limit_c):
    assert limits(classes=(food_class,)) == [("za-r638-2018", limit_c)]


@pytest.mark.parametrize(
    ("food_class", "frozen_c", "thawed_c"),
    [
        ("frozen_fish", -18.0, 4.0),
        ("ice_cream", -18.0, 4.0),
        ("frozen_other", -12.0, 5.0),
        ("unknown", -18.0, 4.0),
        ("red_meat", -12.0, 5.0),
        ("fish", -18.0, 4.0),
    ],
)
def test_a_freezer_has_a_frozen_limit_that_ends_in_hold_and_a_thawed_one(food_class, frozen_c, thawed_c):
    frozen, thawed = limits_of(unit("freezer", classes=(food_class,))).limits
    assert (frozen.limit_c, frozen.cap, frozen.discard_min) == (frozen_c, "hold", None)
    assert (thawed.limit_c, thawed.cap, thawed.discard_min) == (thawed_c, "discard_advised", 240.0)


def test_of_several_classes_the_lowest_upper_limit_stands():
    assert limits(classes=("red_meat", "poultry")) == [("za-r638-2018", 4.0)]


def test_every_chosen_rule_gives_its_own_limit():
    found = limits(classes=("mince",), rules=("za-r638-2018", "eu-853-2004", "fsis"))
    assert found == [("za-r638-2018", 5.0), ("eu-853-2004", 2.0), ("fsis", 4.444)]
    settings = unit(classes=("mince",), rules=("za-r638-2018", "eu-853-2004"))
    assert limits_of(settings).food_limit_c == 2.0


def test_a_class_the_chosen_rules_have_no_number_for_falls_back_and_says_so():
    found = limits_of(unit(classes=("milk", "mince"), rules=("eu-853-2004",)))
    assert [(x.rule, x.limit_c) for x in found.limits] == [("eu-853-2004", 2.0), ("za-r638-2018", 4.0)]
    assert "milk" in found.assumed[0]


def test_a_freezer_under_rules_without_a_frozen_number_is_still_held_to_one():
    assert limits("freezer", classes=("frozen_other",), rules=("fsanz-3.2.2",))[0] == ("za-r638-2018", -12.0)


def test_an_unknown_rule_is_the_operators_to_mend_and_the_known_ones_are_named():
    with pytest.raises(ConfigurationError, match=r"no rule named 'made-up'; known are .*za-r638-2018"):
        limits_of(unit(rules=("made-up",)))


def test_drinks_have_no_food_limit_and_medicine_is_never_discarded():
    (drinks,) = limits_of(unit(classes=("drinks",))).limits
    assert drinks.cap == "watch"
    medicine = limits_of(unit(classes=("medicine",))).limits
    assert [(x.limit_c, x.below) for x in medicine] == [(8.0, False), (2.0, True), (0.0, True)]
    assert {x.cap for x in medicine} == {"hold"}
    assert all("ask the pharmacist" in x.words for x in medicine)


def test_medicine_beside_food_keeps_both_limits():
    assert limits(classes=("medicine", "milk"))[0] == ("za-r638-2018", 4.0)
    assert limits_of(unit(classes=("medicine", "milk"))).food_limit_c == 4.0


def test_every_number_names_its_document():
    for rules in RULES.values():
        for food_class in rules.limits_c:
            assert rules.document in rules.source_of(food_class)
