import pytest

from services.analytics.food.spotcheck import spot_check

ZA = ("za-r638-2018",)


def test_each_document_answers_for_itself():
    found = spot_check(("za-r638-2018", "uk-8c", "eu-853-2004"), "cooked", core_c=6.0)
    assert [(x.rule, x.sellable) for x in found] == [("za-r638-2018", "no"), ("uk-8c", "yes")]


def test_a_surface_alone_may_forbid_but_not_allow():
    (cold,) = spot_check(ZA, "milk", core_c=None, surface_c=3.0)
    assert (cold.sellable, cold.why) == ("unknown", "the core was not measured")
    (warm,) = spot_check(ZA, "milk", core_c=None, surface_c=6.1)
    assert warm.sellable == "no"


def test_the_rows_show_what_was_compared():
    (found,) = spot_check(ZA, "red_meat", core_c=5.1, surface_c=7.1)
    assert [(r.quantity, r.value, r.threshold) for r in found.reasons] == [
        ("core", 5.1, 5.0),
        ("surface", 7.1, 7.0),
    ]
    assert found.why == "not to be sold: core 5.1 °C, above 5 °C; surface 7.1 °C, above 7 °C"


def test_a_rule_that_does_not_exist_is_the_caller_s_mistake():
    with pytest.raises(KeyError):
        spot_check(("made-up",), "milk", core_c=1.0)
