from typing import get_args

import pytest

from services.analytics.food.coretemps import core_to_reach, not_mended_by_cooking
from services.domain import FoodClass


@pytest.mark.parametrize("food_class", get_args(FoodClass))
def test_every_class_has_an_answer_with_a_source_or_is_not_cooked(food_class):
    found = core_to_reach(food_class)
    assert found.why
    assert found.core_c is None or (found.core_c >= 63 and "3-40" in found.source and found.hold_s > 0)


def test_what_is_not_known_takes_the_highest():
    for food_class in ("unknown", "other_chilled", "frozen_other", "offal"):
        assert core_to_reach(food_class).core_c == 74


def test_what_is_eaten_as_it_is_is_not_cooked_but_may_be_heated_again():
    found = core_to_reach("cooked", ready_to_eat=True)
    assert found.core_c is None
    assert "74 °C" in found.why
    assert core_to_reach("milk", ready_to_eat=True).why == "not cooked here"


def test_cooking_mends_neither_toxins_nor_histamine():
    assert [words.split()[0] for words in not_mended_by_cooking("fish")] == ["histamine", "toxin"]
    assert "cereus" in not_mended_by_cooking("cooked")[0]
    assert len(not_mended_by_cooking("unknown")) == 3
    assert len(not_mended_by_cooking("red_meat")) == 1
    assert not_mended_by_cooking("medicine") == not_mended_by_cooking("drinks") == ()
