"""Groups of machines alike, from narrow to wide."""

from datetime import date

import pytest

from services.analytics.service.fleetgroups import groups_of, traits_of
from services.domain import Site, Unit

TODAY = date(2026, 3, 2)


def unit(**fields):
    return Unit.model_validate({"id": "box-1", "kind": "fridge", **fields})


def test_what_is_not_described_is_left_out():
    assert traits_of(unit(), None, TODAY) == {"kind": "fridge", "speed": "fixed"}


def test_model_volume_age_and_place_are_told_where_they_are_known():
    described = unit(plate="Kudu 45, 0017", volume_l=45.0, installed="2023-02-01")
    site = Site(id="car-1", name="Car 1", kind="vehicle")
    assert traits_of(described, site, TODAY) == {
        "kind": "fridge",
        "speed": "fixed",
        "model": "kudu 45",
        "volume": "30-60 l",
        "age": "2-5 y",
        "place": "vehicle",
    }


@pytest.mark.parametrize(
    ("volume_l", "told"), [(29.9, "0-30 l"), (30.0, "30-60 l"), (119.0, "60-120 l"), (120.0, "120+ l")]
)
def test_a_class_begins_at_its_lower_edge(volume_l, told):
    assert traits_of(unit(volume_l=volume_l), None, TODAY)["volume"] == told


def traits(**changes):
    return {"kind": "fridge", "speed": "fixed", "volume": "30-60 l", **changes}


def test_the_narrowest_group_of_four_is_taken():
    those = {f"a{k}": traits(model="kudu") for k in range(4)} | {f"b{k}": traits() for k in range(2)}
    found = groups_of(tuple(those), those)
    assert found["a0"].like == traits(model="kudu")
    assert found["a0"].units == ("a0", "a1", "a2", "a3")
    assert found["b0"].like == traits()
    assert set(found["b0"].units) == set(those)


def test_fridges_are_never_compared_with_freezers():
    those = {f"a{k}": traits() for k in range(3)} | {f"f{k}": traits(kind="freezer") for k in range(3)}
    assert groups_of(tuple(those), those) == {}


def test_machines_of_another_volume_are_taken_only_where_nothing_nearer_is():
    those = {f"a{k}": traits() for k in range(4)} | {"big": traits(volume="120+ l")}
    found = groups_of(tuple(those), those)
    assert len(found["a0"].units) == 4
    assert (found["big"].like, len(found["big"].units)) == ({"kind": "fridge", "speed": "fixed"}, 5)
