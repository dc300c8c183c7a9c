import pytest
from pydantic import ValidationError
from starlette.exceptions import HTTPException

from dashboards.pages.batches import SaidOfBatch, _choices, _freezers, _places
from dashboards.places import Larder
from services.domain import BATCH_SAID, Verdict
from tests.helpers.food_cards import batch_clock, food_card
from tests.helpers.larder import card


def said(kind="probed", **fields):
    return SaidOfBatch(kind=kind, person="Jonas K.", **fields).body()


def test_only_what_was_filled_in_is_written_down():
    assert said(probe_c="3,4", note=" thigh ") == {"probe_c": 3.4, "note": "thigh"}
    assert said("moved", unit="v3-meat") == {"unit": "v3-meat"}
    assert said("corrected", use_by="2026-03-06", quantity="2") == {"use_by": "2026-03-06", "quantity": 2.0}
    assert said("frozen") == {}


def test_zero_degrees_is_written_down():
    assert said(probe_c="0") == {"probe_c": 0.0}


@pytest.mark.parametrize("fields", [{"probe_c": "hot"}, {"quantity": "-1"}, {"opened_on": "soon"}])
def test_what_is_no_number_or_day_is_refused(fields):
    with pytest.raises(HTTPException):
        said(**fields)


def test_a_wrong_line_is_withdrawn_or_given_what_the_probe_truly_read():
    assert said("corrected", event=7) == {"event": 7, "withdrawn": True}
    assert said("corrected", event=7, probe_c="4.5") == {"event": 7, "probe_c": 4.5}
    assert said("corrected", event="", note="two packs") == {"note": "two packs"}


def test_every_form_fits_what_the_records_take():
    forms = [
        said("moved", unit="v3-meat", probe_c="3"),
        said("put_back", unit="v3-meat"),
        said("split", quantity="1,5", unit="v3-meat"),
        said("probed", probe_c="3"),
        said("frozen", unit="camp-fish"),
        said("hold_closed", probe_c="3", disposition="kept", reason="cold within the hour"),
        said("corrected", event=7),
        said("corrected", use_by="2026-03-06", what="Trout", lot="7"),
        *(said(kind) for kind in ("thawed", "opened", "taken_out", "served", "cooked", "discarded")),
        said("cooling_started", probe_c="60"),
    ]
    kinds = ["moved", "put_back", "split", "probed", "frozen", "hold_closed", "corrected", "corrected"]
    kinds += ["thawed", "opened", "taken_out", "served", "cooked", "discarded", "cooling_started"]
    for kind, body in zip(kinds, forms, strict=True):
        assert BATCH_SAID.validate_python({**body, "kind": kind, "person": "Jonas K."}).kind == kind


def test_food_is_frozen_in_freezers_only():
    freezer = card("camp-fish", site="vehicle-3")
    larder = Larder(cards=(card("v3-veg"), freezer))
    assert [unit for unit, _ in _freezers(food_card(), larder)] == ["camp-fish"]
    assert _freezers(food_card(batch={"frozen": True}), larder) == []


def test_a_kind_nobody_knows_is_refused():
    with pytest.raises(ValidationError):
        said("eaten_by_monkeys")


def test_a_batch_moves_by_its_own_limit_not_that_of_its_cabinet():
    cabinet = card("v3-veg", limit_c=5.0)
    warm = card("v3-meat", latest={"cabinet_c": 4.5})
    larder = Larder(cards=(cabinet, warm))
    assert _places(food_card(), cabinet, larder) == []
    loose = food_card(clocks=(batch_clock(limit_c=5.0),))
    assert [place.unit for place in _places(loose, cabinet, larder)] == ["v3-meat"]


def test_every_cabinet_in_use_can_be_said_and_cold_ones_stand_first():
    cabinet = card("v3-veg")
    held = card("camp-milk", site="vehicle-3", standing=Verdict.HOLD)
    off = card("camp-new", site="vehicle-3", state="off")
    larder = Larder(cards=(held, cabinet, off, card("v3-meat")))
    best = _places(food_card(), cabinet, larder)
    assert [unit for unit, _ in _choices(food_card(), larder, best)] == ["v3-meat", "camp-milk"]
    out = food_card(batch={"place": "out"})
    assert [unit for unit, _ in _choices(out, larder, best)] == ["v3-veg", "v3-meat", "camp-milk"]


def test_the_form_of_time_in_place_of_cold_fits_what_the_records_take():
    form = {"time_control": "6h", "written_procedure": "true", "marked": "true", "probe_c": "4,5"}
    body = said("taken_out", **form)
    assert body == {"time_control": "6h", "written_procedure": True, "marked": True, "probe_c": 4.5}
    assert BATCH_SAID.validate_python({**body, "kind": "taken_out", "person": "Jonas K."}).marked is True
    assert said("taken_out", written_procedure="true") == {}
    assert said(probe_c="5", surface_c="0") == {"probe_c": 5.0, "surface_c": 0.0}
