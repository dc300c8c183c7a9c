from dataclasses import replace

import pytest

from firmware_sim.scenarios.clones import repeated
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S, Fault
from services.errors import ConfigurationError
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet


@pytest.fixture
def scenario(tmp_path):
    return load_scenario(write_small_fleet(tmp_path))


LEAK = Fault(kind="refrigerant_leak", unit="cart-meat", begins_d_before=20.0)
WEAK = Fault(kind="weak_battery", bank="cart-bank", begins_d_before=20.0)
SWAP = Fault(kind="swapped_identity", unit="cart-meat", other="hall-frozen", begins_d_before=20.0)


def test_the_first_copy_stays_as_it_is(scenario):
    many = repeated(scenario, 6, mark="x")
    assert many.units[:2] == scenario.units
    assert many.banks[:1] == scenario.banks
    assert many.sites[:1] == scenario.sites


def test_there_are_exactly_as_many_units_as_asked_for_and_only_what_they_need(scenario):
    for units in range(1, 8):
        many = repeated(scenario, units, mark="x")
        assert len(many.units) == len(set(many.unit_ids)) == units
        assert {unit.site for unit, _ in many.units} == {site.id for site, _ in many.sites}
        wanted = {unit.supply.bank for unit, _ in many.units} - {None}
        assert wanted == {bank.id for bank, _ in many.banks}


def test_a_copy_belongs_to_its_own_site_and_bank(scenario):
    unit, physics = repeated(scenario, 4, mark="x").units[2]
    assert (unit.id, unit.site, unit.supply.bank, physics.id) == (
        "cart-meat-x2",
        "cart-1-x2",
        "cart-bank-x2",
        "cart-meat-x2",
    )


def test_copies_differ_and_are_the_same_every_time(scenario):
    once, again = repeated(scenario, 40, mark="x"), repeated(scenario, 40, mark="x")
    assert once == again
    meat = [physics for unit, physics in once.units if unit.id.startswith("cart-meat")]
    assert len({physics.shell_w_per_k for physics in meat}) == 20
    assert all(0.8 < p.shell_w_per_k / meat[0].shell_w_per_k < 1.25 for p in meat)
    assert all(p.phase_s % STEP_S == 0 and p.phase_s < 60 for p in meat)
    assert len({weather.day_c for _, weather in once.sites}) == 20


def test_without_spread_copies_are_exact(scenario):
    many = repeated(scenario, 4, mark="", spread=False)
    first, second = many.units[0][1], many.units[2][1]
    assert first == second.model_copy(update={"id": first.id})


def test_faults_are_copied_to_the_copies_own_targets_at_other_times(scenario):
    many = repeated(replace(scenario, faults=(LEAK, WEAK, SWAP)), 4, mark="x")
    leak, weak, swap = many.faults[3:]
    assert (leak.unit, weak.bank, swap.unit, swap.other) == (
        "cart-meat-x2",
        "cart-bank-x2",
        "cart-meat-x2",
        "hall-frozen-x2",
    )
    assert leak.before_h != LEAK.before_h
    assert 0.69 * 480 < leak.before_h < 1.31 * 480


def test_a_cut_copy_keeps_the_faults_of_what_is_left_and_no_others(scenario):
    many = repeated(replace(scenario, faults=(LEAK, WEAK, SWAP)), 1, mark="x")
    assert many.faults == (LEAK, WEAK)
    frozen_leak = Fault(kind="refrigerant_leak", unit="hall-frozen", begins_d_before=2.0)
    assert repeated(replace(scenario, faults=(frozen_leak,)), 3, mark="x").faults == (frozen_leak,)


def test_copies_of_copies_know_the_fleet_files_ids(scenario):
    twice = repeated(repeated(scenario, 4, mark=""), 8, mark="x")
    assert twice.origin["unit"]["cart-meat-2-x2"] == "cart-meat"
    assert twice.origin["site"]["cart-1-x2"] == "cart-1"
    assert twice.origin["bank"]["cart-bank-2"] == "cart-bank"


def test_an_id_that_would_be_too_long_is_refused_by_name(tmp_path):
    long = "a" * 31
    path = write_small_fleet(
        tmp_path,
        fleet=FLEET.replace("hall-frozen", long),
        scenario=SCENARIO.replace("hall-frozen", long),
    )
    with pytest.raises(ConfigurationError, match=r"small\.toml: units.*longer than 32|longer than 32"):
        load_scenario(path, units=4)


def test_units_on_one_machine_keep_sharing_it_in_every_whole_copy(tmp_path):
    fleet = FLEET + '[unit.compressor]\nshared_with = "cart-meat"\n'
    many = repeated(load_scenario(write_small_fleet(tmp_path, fleet=fleet)), 4, mark="x")
    assert [unit.compressor.shared_with for unit, _ in many.units] == [
        None,
        "cart-meat",
        None,
        "cart-meat-x2",
    ]


def test_a_unit_whose_machine_is_cut_away_gets_its_own(tmp_path):
    fleet = FLEET.replace("running_a = 4.2", 'running_a = 4.2\nshared_with = "hall-frozen"')
    many = repeated(load_scenario(write_small_fleet(tmp_path, fleet=fleet)), 3, mark="x")
    assert [unit.compressor.shared_with for unit, _ in many.units] == ["hall-frozen", None, None]


def test_a_copy_that_would_be_called_like_another_unit_is_refused(tmp_path):
    path = write_small_fleet(
        tmp_path,
        fleet=FLEET.replace("hall-frozen", "cart-meat-2"),
        scenario=SCENARIO.replace("hall-frozen", "cart-meat-2"),
    )
    with pytest.raises(ConfigurationError, match=r"small\.toml: units: a copy would be called cart-meat-2"):
        repeated(load_scenario(path), 4, mark="")
