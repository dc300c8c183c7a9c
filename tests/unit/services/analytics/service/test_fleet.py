"""Machines beside machines like them, on made-up weeks whose truth is what was put in."""

import numpy as np
import pytest

from services.analytics.service.fleet import (
    COMPARED,
    FALSE_SHARE,
    LEAST_OUT,
    chance_of,
    compare,
    kit_of,
    robust,
)
from services.domain import Fleet, Middle
from tests.helpers.compared import TODAY, fleet_of, middles_of, with_number


def compared(fleet, seed, **how):
    return compare(fleet, middles_of(fleet, np.random.default_rng(seed), **how), TODAY)


def thin_cables(unit, name):
    """Multiply the path of every third unit, which is one vehicle, by 1.8."""
    return 1.8 if name == "path_share" and int(unit[4:]) % 3 == 1 else 1.0


@pytest.mark.parametrize("seed", range(8))
def test_one_place_with_thin_cables_stands_out_by_its_path_and_nothing_else_does(seed):
    found = compared(fleet_of(12, 3), seed, factor=thin_cables)
    assert [(each.by, each.key, each.name) for each in found.apart] == [("site", "car-1", "path_share")]
    (place,) = found.apart
    assert (place.units, place.others) == (4, 8)
    assert place.out > LEAST_OUT
    named = {(row.unit, row.name) for row in found.rows if row.stands_out}
    assert {name for _unit, name in named} <= {"path_share"}
    assert {unit for unit, _name in named} <= {"box-001", "box-004", "box-007", "box-010"}


def test_of_a_sound_fleet_hardly_anything_is_named():
    found = [compared(fleet_of(12, 3), seed) for seed in range(30)]
    # one fleet in twenty may have a place named by chance: that is how the line is drawn
    assert sum(each.apart != () for each in found) <= 4
    assert sum(any(row.stands_out for row in each.rows) for each in found) <= 2
    assert {each.apart_looked_at for each in found} == {24}
    assert {len(each.rows) for each in found} == {12 * 8}


def test_one_machine_that_runs_far_longer_for_the_difference_leads_the_list():
    def leaking(unit, name):
        return 2.0 if unit == "box-005" and name == "night_slope_per_k" else 1.0

    for seed in range(5):
        found = compared(fleet_of(24, 6), seed, factor=leaking)
        first = found.rows[0]
        assert (first.unit, first.name, first.worse, first.stands_out) == (
            "box-005",
            "night_slope_per_k",
            True,
            True,
        )
        assert first.of == 24
        assert found.apart == ()


def test_a_machine_that_does_better_is_told_as_such():
    def better(unit, name):
        return 2.0 if unit == "box-005" and name == "capacity_ratio_k" else 1.0

    first = compared(fleet_of(24, 6), 1, factor=better).rows[0]
    assert (first.unit, first.name, first.worse) == ("box-005", "capacity_ratio_k", False)


def test_machines_of_variable_speed_are_not_compared_by_how_long_they_run():
    found = compared(fleet_of(6, 2, compressor={"variable_speed": True}), 1)
    assert {row.name for row in found.rows} == {
        "capacity_ratio_k",
        "warm_up_per_h",
        "path_share",
        "starts_per_h",
        "cutouts_a_month",
    }
    assert {row.like["speed"] for row in found.rows} == {"variable"}


def test_three_units_alike_are_too_few():
    found = compared(fleet_of(3, 1), 1)
    assert found.rows == ()
    assert found.too_few_like == ("box-000", "box-001", "box-002")
    assert found.too_few_days == ()


def test_units_without_numbers_are_told():
    fleet = fleet_of(6, 2)
    middles = middles_of(fleet, np.random.default_rng(1))
    found = compare(fleet, {unit: told for unit, told in middles.items() if unit > "box-001"}, TODAY)
    assert {row.of for row in found.rows} == {4}
    assert found.too_few_days == ("box-000", "box-001")


def test_the_season_stands_beside_the_month():
    def leaking(unit, name):
        return 2.0 if unit == "box-005" and name == "night_slope_per_k" else 1.0

    fleet = fleet_of(24, 6)
    middles = middles_of(fleet, np.random.default_rng(1), factor=leaking)
    first = compare(fleet, middles, TODAY).rows[0]
    assert (first.unit, first.days) == ("box-005", 30)
    assert first.season == pytest.approx(first.value / 2.0)


def test_a_unit_that_is_off_is_no_part_of_it():
    found = compared(fleet_of(5, 1, state="off"), 1)
    assert (found.units, found.rows, found.too_few_days) == (0, (), ())


def test_an_empty_fleet_is_compared_without_fuss():
    found = compared(fleet_of(0, 1), 1)
    assert (found.rows, found.apart, found.apart_looked_at) == ((), (), 0)


@pytest.mark.parametrize(("name", "value"), [("always_on_share", 1.0), ("cutouts_a_month", 12.0)])
def test_days_without_a_pause_and_cut_outs_are_counted(name, value):
    fleet = fleet_of(8, 2)
    middles = middles_of(fleet, np.random.default_rng(1))
    middles["box-003"] = with_number(middles["box-003"], name, value)
    found = compare(fleet, middles, TODAY)
    first = next(row for row in found.rows if row.name == name)
    assert (first.unit, first.value, first.middle) == ("box-003", value, 0.0)
    assert first.worse
    assert first.stands_out


def test_a_cut_out_or_two_a_month_do_not_stand_out():
    fleet = fleet_of(24, 6)
    middles = middles_of(fleet, np.random.default_rng(1))
    middles["box-003"] = with_number(middles["box-003"], "cutouts_a_month", 2.0)
    found = compare(fleet, middles, TODAY)
    assert not any(row.stands_out for row in found.rows if row.name == "cutouts_a_month")


def test_a_bank_tells_its_capacity_once():
    told = fleet_of(12, 3).model_dump(mode="json")
    for k, unit in enumerate(told["units"]):
        unit["supply"] = {"bank": f"bank-{k // 2}"}
    fleet = Fleet.model_validate(told)
    middles = {
        unit.id: [Middle("capacity_share", 0.5 if k // 2 == 4 else 0.95, None, None)]
        for k, unit in enumerate(fleet.units)
    }
    found = compare(fleet, middles, TODAY)
    assert {row.of for row in found.rows} == {6}
    first = found.rows[0]
    assert (first.unit, first.name, first.value, first.worse) == ("box-008", "capacity_share", 0.5, True)


def test_cables_are_compared_by_length_and_section_where_both_are_told():
    fleet = fleet_of(12, 12)
    told = fleet.model_dump(mode="json")
    for k, unit in enumerate(told["units"]):
        unit["supply"] = {"cable_length_m": 4.0, "cable_mm2": 4.0 if k < 6 else 6.0}
    told["units"][11]["supply"] = {"cable_length_m": 4.0}
    fleet = type(fleet).model_validate(told)
    assert [kit_of(fleet.units[k]) for k in (0, 6, 11)] == ["4 m, 4 mm²", "4 m, 6 mm²", None]

    def bad_lugs(unit, name):
        return 2.0 if name == "path_share" and int(unit[4:]) < 6 else 1.0

    found = compared(fleet, 3, factor=bad_lugs)
    assert [(each.by, each.key, each.name) for each in found.apart] == [("kit", "4 m, 4 mm²", "path_share")]


def test_what_is_named_by_chance_alone_stays_rare_among_groups_of_every_size():
    rng = np.random.default_rng(11)
    for count in (4, 8, 24):
        chances = []
        for _ in range(400):
            values = rng.normal(size=count)
            middle, scatter = robust(values)
            chances.append(chance_of((values - middle) / scatter, np.full(count, float(count))))
        assert np.mean(np.concatenate(chances) < 0.05) <= 0.05


def test_what_hardly_differs_is_not_magnified():
    middle, scatter = robust(np.array([10.0, 10.0, 10.0, 10.4]), least=0.5)
    assert (middle, scatter) == (10.0, 0.5)


def test_every_number_that_days_tell_is_compared():
    found = compared(fleet_of(5, 1), 1)
    assert {row.name for row in found.rows} == set(COMPARED) - {"capacity_share"}
    assert 0 < FALSE_SHARE < 1
