import pytest

from services.analytics.food.house import house_faults
from services.analytics.food.rules import limits_for
from services.domain import HouseRules


def limits_with(classes, rules, **options):
    options = {"freezer": False, "moving": False, "vulnerable": False, "house_rules": (), **options}
    house_rules = options.pop("house_rules")
    return limits_for(rules, house_rules, classes, **options).limits


OWN = HouseRules(
    name="camp-own",
    base="za-r638-2018",
    limits_c={"poultry": 3.0, "red_meat": 4.0},
    hold_min=90,
    discard_min=180,
    said_by="Asha",
)


def test_own_rules_stand_beside_the_published_ones_they_tighten():
    published, own = limits_with(("red_meat",), ("camp-own",), house_rules=(OWN,))
    assert (published.rule, published.limit_c, published.discard_min) == ("za-r638-2018", 5.0, 240)
    assert (own.rule, own.limit_c, own.hold_min, own.discard_min) == ("camp-own", 4.0, 90, 180)
    assert (published.law, own.law) == (True, False)
    assert "Asha" in own.source


def test_own_minutes_count_for_classes_without_an_own_temperature():
    _, own = limits_with(("milk",), ("camp-own",), house_rules=(OWN,))
    assert (own.limit_c, own.hold_min) == (4.0, 90)


def test_own_rules_that_are_looser_than_their_base_never_loosen_it():
    loose = HouseRules(name="loose", base="za-r638-2018", limits_c={"poultry": 9.0}, hold_min=500)
    assert [x.rule for x in limits_with(("poultry",), ("loose",), house_rules=(loose,))] == ["za-r638-2018"]


def test_own_rules_on_a_base_without_the_class_tighten_the_default():
    own = HouseRules(name="own", base="eu-853-2004", limits_c={"milk": 3.0})
    found = limits_with(("milk",), ("own",), house_rules=(own,))
    assert [(x.rule, x.limit_c) for x in found] == [("za-r638-2018", 4.0), ("own", 3.0)]


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"limits_c": {"poultry": 4.5}}, ("limits_c", "poultry"), "looser than 4 °C of za-r638-2018"),
        ({"limits_c": {"frozen_fish": -15}}, ("limits_c", "frozen_fish"), "looser than -18 °C"),
        ({"limits_c": {"medicine": 3}}, ("limits_c", "medicine"), "no published limit"),
        ({"hold_min": 121}, ("hold_min",), "looser than 120 min"),
        ({"discard_min": 241}, ("discard_min",), "looser than 240 min"),
        ({"base": "fsis", "discard_min": 121}, ("discard_min",), "looser than 120 min of fsis"),
        ({"base": "nothing"}, ("base",), "no rule set named 'nothing'"),
        ({"name": "fsis"}, ("name",), "name of a published rule set"),
        ({"hold_min": 100, "discard_min": 90}, ("hold_min",), "above discard_min"),
        ({"base": "eu-853-2004", "limits_c": {"milk": 4.1}}, ("limits_c", "milk"), "4 °C of za-r638-2018"),
    ],
)
def test_own_rules_that_are_looser_are_refused_with_the_key(changes, key, words):
    plain = HouseRules(name="own", base="za-r638-2018")
    ((found, told),) = house_faults(plain.model_copy(update=changes))
    assert found == key
    assert words in told


def test_own_rules_that_are_as_strict_or_stricter_are_taken():
    assert list(house_faults(OWN)) == []
    same = HouseRules(name="own", base="za-r638-2018", limits_c={"milk": 4.0}, hold_min=120, discard_min=240)
    assert list(house_faults(same)) == []
