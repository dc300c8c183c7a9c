from datetime import date

import pytest
from pydantic import ValidationError
from starlette.exceptions import HTTPException

from dashboards import foodwords
from dashboards.pages.put_in import PutIn, from_form, from_template, templates_for
from services.domain import BatchTemplate
from tests.helpers.larder import card

TODAY = date(2026, 3, 4)


def form(**fields):
    given = {"unit": "v3-veg", "person": "Jonas K.", "what": "Trout", "food_class": "fish"}
    return PutIn(**(given | fields))


def test_a_template_fills_in_everything_it_knows():
    chicken = next(t for t in foodwords.TEMPLATES if t.what == "Whole chicken")
    new = from_template(chicken, "v3-veg", TODAY)
    assert (new.what, new.food_class, new.unit, new.piece_kg) == ("Whole chicken", "poultry", "v3-veg", 1.8)
    assert new.use_by is None
    assert new.opened_on is None


def test_the_list_fits_the_cabinet_and_the_fleets_own_list_comes_first():
    own = (BatchTemplate(what="Stew", food_class="cooked"),)
    assert templates_for(own, card("v3-veg")) == own
    assert {t.what for t in templates_for((), card("camp-fish"))} == {
        "Frozen fish",
        "Frozen meat or poultry",
        "Ice cream",
    }
    assert "Ice cream" not in {t.what for t in templates_for((), card("v3-veg"))}
    assert templates_for((), None) == foodwords.TEMPLATES


def test_no_food_is_offered_for_a_cabinet_of_medicine():
    box = card("v3-veg", classes=("medicine",))
    own = (BatchTemplate(what="Stew", food_class="cooked"),)
    assert [t.food_class for t in templates_for(own, box)] == ["medicine"]


def test_the_day_it_goes_in_is_the_first_of_its_days():
    trout = BatchTemplate(what="Trout", food_class="fish", days=2)
    assert from_template(trout, "v3-veg", TODAY).use_by == date(2026, 3, 5)


def test_cooked_food_counts_as_made_today():
    stew = BatchTemplate(what="Stew", food_class="cooked", ready_to_eat=True)
    assert from_template(stew, "v3-veg", TODAY).opened_on == TODAY


def test_the_long_form_takes_what_people_type():
    new = from_form(form(core_c="\N{MINUS SIGN}2,5", use_by="2026-03-06", quantity="2,5", ready_to_eat=True))
    assert (new.core_c, new.use_by, new.quantity, new.ready_to_eat) == (-2.5, date(2026, 3, 6), 2.5, True)
    assert new.received_c is None


@pytest.mark.parametrize(
    "fields",
    [
        {"what": " "},
        {"food_class": ""},
        {"core_c": "warm"},
        {"use_by": "soon"},
        {"quantity": "0"},
        {"what": "x" * 81},
        {"unit": "No such!"},
    ],
)
def test_what_cannot_be_is_refused_with_words(fields):
    with pytest.raises(HTTPException) as refused:
        from_form(form(**fields))
    assert refused.value.status_code == 422
    assert refused.value.detail


def test_a_form_sends_nothing_else():
    with pytest.raises(ValidationError):
        form(standing="ok")
