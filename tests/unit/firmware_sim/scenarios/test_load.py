from pathlib import Path

import pytest

from firmware_sim.scenarios.load import load_scenario
from services.domain import UnitSettings
from services.domain.fleetfile import parse_fleet
from services.errors import ConfigurationError
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet

SHIPPED = Path(__file__).resolve().parents[4] / "firmware_sim/scenarios"


def test_the_shipped_scenario_loads_and_names_every_unit_of_its_fleet():
    scenario = load_scenario(SHIPPED / "quiet_ridge.toml")
    fleet = parse_fleet((SHIPPED / "quiet_ridge_fleet.toml").read_text(encoding="utf-8"), name="fleet")
    assert scenario.unit_ids == tuple(unit.id for unit in fleet.units)
    assert len(scenario.units) >= 12
    assert len(scenario.sites) >= 6


def test_every_shipped_unit_has_settings_of_its_own():
    fleet = parse_fleet((SHIPPED / "quiet_ridge_fleet.toml").read_text(encoding="utf-8"), name="fleet")
    settings = [fleet.settings_of(unit.id) for unit in fleet.units]
    assert all(isinstance(one, UnitSettings) for one in settings)
    assert any(one.units_on_bank > 1 for one in settings)
    assert {one.bank.chemistry for one in settings if one.bank is not None} >= {"agm", "flooded", "lifepo4"}
    assert any(one.nominal_v == 24 for one in settings)
    assert {person.role for person in fleet.people} >= {"manager", "cook", "workshop"}


def test_what_a_scenario_leaves_out_has_defaults(tmp_path):
    text = '[scenario]\nname = "Bare"\nfleet = "small_fleet.toml"\n'
    scenario = load_scenario(write_small_fleet(tmp_path, scenario=text))
    assert scenario.unit_ids == ("cart-meat", "hall-frozen")
    assert scenario.units[0][1].food_kg == 12.0


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ("seed = 3", "seed = ", "small.toml"),
        ("seed = 3", "sede = 3", "small.toml: scenario.sede"),
        ('fleet = "small_fleet.toml"', 'fleet = "gone.toml"', "gone.toml"),
        ('id = "hall-frozen"', 'id = "hall-frosen"', "small.toml: unit.id: hall-frosen"),
        ("food_kg = 25", "food_kg = -1", "small.toml: unit.1.food_kg"),
        ("phase_s = 30", "phase_s = 7", "small.toml: unit.1"),
        ('channels = ["cabinet", "compressor"]', 'channels = ["cabinet"]', "every sample needs"),
        (
            'channels = ["cabinet", "compressor"]',
            'channels = ["compressor", "smell"]',
            "no such channel: smell",
        ),
    ],
)
def test_a_fault_in_the_scenario_is_named_with_file_and_key(tmp_path, old, new, names):
    assert old in SCENARIO
    path = write_small_fleet(tmp_path, scenario=SCENARIO.replace(old, new))
    with pytest.raises(ConfigurationError) as caught:
        load_scenario(path)
    assert names in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ('bank = "cart-bank"', 'bank = "cart-bnak"', "small_fleet.toml: unit cart-meat.supply.bank"),
        ('site = "cart-1"\nset', 'site = "cart-2"\nset', "small_fleet.toml: unit cart-meat.site"),
        ("Africa/Lusaka", "Africa/Nowhere", "small_fleet.toml: site cart-1.timezone"),
        ("cable_mm2 = 6.0", "cable_mm2 = 5.0", "small_fleet.toml: unit cart-meat.supply.cable_mm2"),
        (
            'interval_s = 60\n[unit.supply]\nkind = "mains"',
            'interval_s = 45\n[unit.supply]\nkind = "mains"',
            "unit hall-frozen.interval_s",
        ),
        ('id = "hall-frozen"', 'id = "cart-meat"', "cart-meat is given 2 times"),
    ],
)
def test_a_fault_in_the_fleet_file_is_named_with_file_and_key(tmp_path, old, new, names):
    assert old in FLEET
    scenario = '[scenario]\nname = "Bare"\nfleet = "small_fleet.toml"\n'
    path = write_small_fleet(tmp_path, scenario=scenario, fleet=FLEET.replace(old, new))
    with pytest.raises(ConfigurationError) as caught:
        load_scenario(path)
    assert names in str(caught.value)


FAULT = '[[fault]]\nkind = "dusty_condenser"\nunit = "cart-meat"\nbegins_d_before = 3\n'


@pytest.mark.parametrize(
    ("lines", "names"),
    [
        ('alternator = "smart"', "goes with drive = relay"),
        ('drive = "relay"\nalternator = "clever"', "bank.0.alternator"),
        ('drive = "relay"\nalternator = "smart"\nsmart_low_v = 14.5', "from the lower to the higher"),
        ("idle_share = 1.0", "bank.0.idle_share"),
        ("starter_ah = 0", "bank.0.starter_ah"),
        ("starter_soc = 1.5", "bank.0.starter_soc"),
    ],
)
def test_a_wrong_alternator_or_starter_battery_is_named(tmp_path, lines, names):
    path = write_small_fleet(tmp_path, scenario=SCENARIO + f'[[bank]]\nid = "cart-bank"\n{lines}\n')
    with pytest.raises(ConfigurationError, match=r"small\.toml: bank\.0") as caught:
        load_scenario(path)
    assert names in str(caught.value)


@pytest.mark.parametrize("line", ["memory_samples = 10", "backed_clock = 3"])
def test_a_wrong_memory_or_clock_is_named(tmp_path, line):
    path = write_small_fleet(tmp_path, scenario=SCENARIO.replace("phase_s = 30", line))
    with pytest.raises(ConfigurationError, match=r"small\.toml: unit\.1\."):
        load_scenario(path)


def test_a_clock_that_is_wrong_lasts_until_it_is_put_right(tmp_path):
    text = 'kind = "clock_reset"\nunit = "cart-meat"\nbegins_d_before = 3\nclock_step_s = -60\nlasts_h = 5\n'
    path = write_small_fleet(tmp_path, scenario=SCENARIO + "[[fault]]\n" + text)
    assert not load_scenario(path).faults[0].is_instant


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ("dusty_condenser", "dusty_condensor", "small.toml: fault.0.kind"),
        ('unit = "cart-meat"', 'unit = "cart-meet"', "small.toml: fault.0.unit: no such unit: cart-meet"),
        (
            'unit = "cart-meat"',
            'bank = "cart-bank"',
            "small.toml: fault.0: Value error, dusty_condenser needs unit",
        ),
        ("dusty_condenser", "weak_battery", "weak_battery needs bank"),
        ("begins_d_before = 3", "", "give either begins_h_before or begins_d_before"),
        ("begins_d_before = 3", "begins_d_before = 3\nbegins_h_before = 3", "give either"),
        ("begins_d_before = 3", "begins_d_before = -3", "small.toml: fault.0.begins_d_before"),
        ("begins_d_before = 3", "begins_d_before = 3\ngrow_h = 3", "small.toml: fault.0.grow_h"),
        ("dusty_condenser", "swapped_identity", "other goes with swapped_identity"),
        ("begins_d_before = 3", 'begins_d_before = 3\nsource = "solar"', "source goes with failed_charger"),
        (
            "dusty_condenser",
            "evaporator_fan_dead",
            "small.toml: fault.0.kind: cart-meat has no evaporator fan",
        ),
        ('dusty_condenser"\nunit = "cart-meat"', 'relay_stuck_open"\nbank = "cart-bank"', "through a relay"),
        (
            'dusty_condenser"\nunit = "cart-meat"',
            'failed_charger"\nsource = "solar"\nbank = "cart-bank"',
            "cart-bank has no panel",
        ),
        (
            'dusty_condenser"',
            'swapped_identity"\nother = "cart-meat"',
            "small.toml: fault.0.other: a unit cannot be exchanged with itself",
        ),
        ('dusty_condenser"', 'clock_reset"\nlasts_h = 2', "happens at a moment"),
        ('dusty_condenser"', 'dusty_condenser"\nclock_step_s = 60', "clock_step_s goes with clock_reset"),
    ],
)
def test_a_wrong_fault_is_named_with_file_and_key(tmp_path, old, new, names):
    assert old in FAULT
    path = write_small_fleet(tmp_path, scenario=SCENARIO + FAULT.replace(old, new))
    with pytest.raises(ConfigurationError) as caught:
        load_scenario(path)
    assert names in str(caught.value)


def test_a_scenario_that_is_not_there_is_a_matter_for_the_operator(tmp_path):
    with pytest.raises(ConfigurationError, match=r"nothing\.toml"):
        load_scenario(tmp_path / "nothing.toml")


@pytest.mark.parametrize(
    ("owner", "names"), [("cart-cold", "no such other unit"), ("cart-meat", "no such other unit")]
)
def test_a_shared_machine_must_be_another_units(tmp_path, owner, names):
    fleet = FLEET.replace("running_a = 4.2", f'running_a = 4.2\nshared_with = "{owner}"')
    with pytest.raises(ConfigurationError, match=names):
        load_scenario(write_small_fleet(tmp_path, fleet=fleet))


def test_a_machine_cannot_be_shared_on(tmp_path):
    third = '\n[[unit]]\nid = "third"\nkind = "fridge"\nsite = "cart-1"\n[unit.supply]\nkind = "mains"\n'
    fleet = FLEET.replace("running_a = 4.2", 'shared_with = "hall-frozen"') + (
        '[unit.compressor]\nshared_with = "third"\n' + third
    )
    with pytest.raises(ConfigurationError, match="no machine of its own"):
        load_scenario(write_small_fleet(tmp_path, fleet=fleet))
