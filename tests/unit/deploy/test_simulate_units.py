import tomllib

import pytest

from deploy.simulate_units import fleet_tables, fleet_toml, unit_toml
from deploy.simulating import LIBRARY
from firmware_sim.scenarios.load import load_scenario
from services.domain.fleetfile import parse_fleet, parse_unit_file
from tests.helpers.small_fleet import write_small_fleet

DEMO = LIBRARY / "quiet_ridge.toml"


def test_an_unrepeated_fleet_comes_back_as_its_file_says():
    written = fleet_toml(fleet_tables(load_scenario(DEMO)))
    plain = DEMO.with_name("quiet_ridge_fleet.toml").read_text(encoding="utf-8")
    assert parse_fleet(written, name="written") == parse_fleet(plain, name="plain")


def test_a_repeated_fleet_is_one_the_service_takes_and_each_unit_has_its_own_bank():
    scenario = load_scenario(DEMO, units=40)
    fleet = parse_fleet(fleet_toml(fleet_tables(scenario)), name="many")
    assert len(fleet.units) == 40
    copy = next(unit for unit in fleet.units if unit.id == "v1-meat-x2")
    assert (copy.site, copy.supply.bank) == ("vehicle-1-x2", "v1-aux-x2")
    assert copy.name == "Meat chest, vehicle 1 (2)"


@pytest.mark.parametrize("unit", ["v1-meat", "trailer-frozen-x2", "lodge-dairy"])
def test_every_unit_has_a_file_of_its_own_that_can_be_read(unit):
    tables = fleet_tables(load_scenario(DEMO, units=32))
    settings = parse_unit_file(unit_toml(tables, unit), name="unit")
    assert settings.unit.id == unit
    assert (settings.bank is None) == (unit == "lodge-dairy")


def test_quotes_and_backslashes_survive(tmp_path):
    path = write_small_fleet(tmp_path)
    fleet_path = tmp_path / "small_fleet.toml"
    text = fleet_path.read_text(encoding="utf-8")
    fleet_path.write_text(
        text.replace('id = "cart-meat"\n', 'id = "cart-meat"\nname = "The \\"big\\" box \\\\ 1"\n'),
        encoding="utf-8",
    )
    written = tomllib.loads(fleet_toml(fleet_tables(load_scenario(path))))
    assert written["unit"][0]["name"] == 'The "big" box \\ 1'
