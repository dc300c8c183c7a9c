from typing import get_args

import pytest

from dashboards import foodwords
from services.domain import BatchEventKind, BatchTemplate, FoodClass


def test_every_class_and_every_kind_of_event_has_words():
    assert set(foodwords.CLASSES) == set(get_args(FoodClass))
    assert set(foodwords.EVENTS) == set(get_args(BatchEventKind))


def test_every_number_of_ours_stands_beside_its_source():
    assert "Standard 3.2.2" in foodwords.STANDING_OUT_SOURCE()
    assert "3-501.14(A)" in foodwords.COOLING_SOURCE()
    for source in (foodwords.STANDING_OUT_SOURCE(), foodwords.COOLING_SOURCE()):
        assert "read in" in source


def test_vulnerable_guests_lose_the_time_to_use_it_up():
    assert "2 to 4 h" in foodwords.STANDING_OUT()
    assert "4 h" not in foodwords.STANDING_OUT_VULNERABLE()
    assert "discard it at 2 h" in foodwords.STANDING_OUT_VULNERABLE()


def test_what_the_records_would_refuse_is_not_offered():
    usable = dict(foodwords.actions_for("stored", frozen=False, usable=True))
    assert {"taken_out", "cooked", "served", "opened", "discarded"} == set(usable)
    held = dict(foodwords.actions_for("stored", frozen=True, usable=False))
    assert {"opened", "thawed", "discarded"} == set(held)
    assert "taken_out" not in dict(foodwords.actions_for("out", frozen=False, usable=True))


def test_every_template_is_short_and_no_two_share_a_name():
    names = [template.what for template in foodwords.TEMPLATES]
    assert len(set(names)) == len(names)
    assert all(isinstance(template, BatchTemplate) and template.piece_kg for template in foodwords.TEMPLATES)
    assert not any(template.food_class == "medicine" for template in foodwords.TEMPLATES)


@pytest.mark.parametrize(("amount", "shown"), [(2.5, "2.5 kg"), (12.4, "12 kg"), (None, "")])
def test_an_amount_carries_its_unit(amount, shown):
    assert foodwords.quantity(amount, "kg") == shown
