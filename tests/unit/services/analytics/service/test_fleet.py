"""Machines beside machines like them, on made-up days whose truth is what was put in."""

import numpy as np
import pytest

from services.analytics.service.fleet import (
    COMPARED,
    FALSE_SHARE,
    LEAST_OUT,
    READ,
    chance_of,
    compare,
    kit_of,
    robust,
)
from services.domain import Quantiles
from tests.helpers.compared import BENCH, TODAY, benches_of, days_of, fleet_of


def compared(fleet, seed, **how):
    days = days_of(fleet, np.random.default_rng(seed), **how)
    return compare(fleet, benches_of(fleet), days, TODAY)


def thin_cables(unit, name):
    """Multiply the path of every third unit, which is one vehicle, by 1.8."""
    return 1.8 if name == "path_ohm" and int(unit[4:]) % 3 == 1 else 1.0


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


@pytest.mark.parametrize("seed", range(8))
def test_a_sound_fleet_has_nothing_that_stands_out(seed):
    found = compared(fleet_of(12, 3), seed)
    assert found.apart == ()
    assert found.apart_looked_at == 21
    assert not any(row.stands_out for row in found.rows)
    assert len(found.rows) == 12 * 7


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
    }
    assert {row.like["speed"] for row in found.rows} == {"variable"}


def test_three_units_alike_are_too_few():
    found = compared(fleet_of(3, 1), 1)
    assert found.rows == ()
    assert found.too_few_like == ("box-000", "box-001", "box-002")
    assert found.too_few_days == ()


def test_six_days_are_too_few():
    found = compared(fleet_of(6, 2), 1, count=6)
    assert found.rows == ()
    assert len(found.too_few_days) == 6


def test_days_set_aside_and_days_before_it_was_described_anew_do_not_count():
    fleet = fleet_of(5, 1)
    days = days_of(fleet, np.random.default_rng(1))
    first = days["box-000"]
    days["box-000"] = [day._replace(measured_on="another bank") for day in first[:22]] + first[22:]
    days["box-001"] = [day._replace(marks=("heat",)) for day in days["box-001"]]
    found = compare(fleet, benches_of(fleet), days, TODAY)
    assert found.rows == ()
    assert found.too_few_days == ("box-000", "box-001")
    assert found.too_few_like == ("box-002", "box-003", "box-004")


def test_a_unit_that_is_off_is_no_part_of_it():
    found = compared(fleet_of(5, 1, state="off"), 1)
    assert (found.units, found.rows, found.too_few_days) == (0, (), ())


def test_an_empty_fleet_is_compared_without_fuss():
    found = compared(fleet_of(0, 1), 1)
    assert (found.rows, found.apart, found.apart_looked_at) == ((), (), 0)


def test_days_on_which_it_never_stopped_are_counted():
    fleet = fleet_of(8, 2)
    days = days_of(fleet, np.random.default_rng(1))
    days["box-003"] = [day._replace(marks=("always_on",)) for day in days["box-003"]]
    found = compare(fleet, benches_of(fleet), days, TODAY)
    first = next(row for row in found.rows if row.name == "always_on_share")
    assert (first.unit, first.value, first.middle) == ("box-003", 1.0, 0.0)
    assert first.worse


def test_a_bank_tells_its_capacity_once_against_its_own_label():
    fleet = fleet_of(12, 3, supply={"bank": "bank-0"})
    banks = [
        {"id": f"bank-{k}", "chemistry": "agm", "nominal_v": 12, "capacity_ah": 100.0 + 10 * k}
        for k in range(6)
    ]
    told = fleet.model_dump(mode="json")
    for k, unit in enumerate(told["units"]):
        unit["supply"] = {"bank": f"bank-{k // 2}"}
    fleet = type(fleet).model_validate(told | {"banks": banks})
    benches = {}
    for k, unit in enumerate(fleet.units):
        full = 100.0 + 10 * (k // 2)
        share = 0.5 if k // 2 == 4 else 0.95
        held = Quantiles(p10=share * full - 5, p50=share * full, p90=share * full + 5)
        benches[unit.id] = BENCH.model_copy(update={"capacity_ah": held, "capacity_ah_reason": None})
    found = compare(fleet, benches, {}, TODAY)
    assert [row.unit for row in found.rows] != []
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
        return 2.0 if name == "path_ohm" and int(unit[4:]) < 6 else 1.0

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


def test_every_number_that_is_read_is_used():
    found = compared(fleet_of(5, 1), 1)
    assert {row.name for row in found.rows} == set(COMPARED) - {"capacity_share"}
    assert len(READ) == 6
    assert 0 < FALSE_SHARE < 1
