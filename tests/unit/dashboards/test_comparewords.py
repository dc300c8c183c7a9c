"""Comparisons in words."""

import pytest

from dashboards import comparewords
from dashboards.comparewords import WIDTH, apart_row, like_words, row_of
from services.domain import ComparedNumber, Fleet, StandsOut

NAMES = {"box-1": ("Meat chest", "Vehicle 3")}


def number(**changes):
    told = {
        "unit": "box-1",
        "name": "path_share",
        "value": 1.8,
        "days": 28,
        "middle": 1.0,
        "scatter": 0.1,
        "out": 8.0,
        "worse": True,
        "p": 0.0001,
        "line": 0.01,
        "stands_out": True,
        "like": {"kind": "fridge", "speed": "fixed", "volume": "30-60 l", "age": "2-5 y", "place": "vehicle"},
        "of": 12,
    }
    return ComparedNumber.model_validate(told | changes)


def test_a_row_tells_number_middle_distance_and_side():
    row = row_of(number(), NAMES)
    assert (row.name, row.place, row.number) == ("Meat chest", "Vehicle 3", "Way from the battery")
    assert (row.value, row.middle) == ("1.80 times a sound one", "1.00 times a sound one")
    assert (row.out, row.side) == ("worse: 8.0 spreads above the middle", "worse")
    group = row.group.replace("\N{EN DASH}", "-")
    assert group == "fridge, fixed speed, 30-60 l, 2-5 years old, vehicle: 12 units"


def test_below_the_middle_is_said_and_drawn_to_the_left():
    row = row_of(number(out=-2.0, worse=False, name="capacity_ratio_k", value=20.0, middle=30.0), NAMES)
    assert (row.out, row.side, row.value) == ("better: 2.0 spreads below the middle", "better", "20.0 K")
    assert row.dot < WIDTH / 2


def test_in_the_middle_is_neither_better_nor_worse():
    row = row_of(number(out=0.0, worse=False, name="cutouts_a_month", value=0.0, middle=0.0), NAMES)
    assert (row.out, row.side, row.value) == ("in the middle", "", "0 in 30 days")


@pytest.mark.parametrize("out", [-400.0, -8.0, 0.0, 8.0, 400.0])
def test_the_dot_stays_on_its_strip(out):
    assert 5 <= row_of(number(out=out), NAMES).dot <= WIDTH - 5


@pytest.mark.parametrize("name", comparewords._COULD_BE)
def test_every_compared_number_has_words(name):
    row = row_of(number(name=name, value=0.5, middle=0.4), NAMES)
    assert row.number
    assert "0.5" in row.value or "50" in row.value or "500" in row.value


def test_a_place_that_stands_out_is_told_with_what_it_could_be_and_nobody_is_named():
    fleet = Fleet.model_validate({"sites": [{"id": "car-1", "name": "Car 1", "kind": "vehicle"}]})
    found = {"by": "site", "key": "car-1", "name": "path_share", "units": 4, "others": 8}
    row = apart_row(StandsOut.model_validate(found | {"out": 5.1, "p": 0.002, "line": 0.04}), fleet)
    assert row.title == "Car 1: Way from the battery"
    assert row.words == "4 units beside 8 others, 5.1 spreads to the worse side."
    assert "joints" in row.could_be


def test_a_kind_of_cable_is_named_by_length_and_section():
    found = {"by": "kit", "key": "4 m, 4 mm²", "name": "path_share", "units": 6, "others": 5}
    row = apart_row(StandsOut.model_validate(found | {"out": 5.1, "p": 0.002, "line": 0.04}), Fleet())
    assert row.title == "Cable 4 m, 4 mm²: Way from the battery"


def test_a_group_that_is_hardly_described_is_told_by_what_there_is():
    assert like_words({"kind": "freezer", "speed": "variable"}, 4) == "freezer, variable speed: 4 units"
