"""The scenarios that come with the project load, say what they are for, run, and are documented."""

from pathlib import Path

import numpy as np
import pytest

from deploy.simulating import library
from firmware_sim.faults import Faults
from firmware_sim.history import Simulator
from firmware_sim.scenarios.fault_kinds import KINDS
from firmware_sim.scenarios.load import load_scenario
from services.domain.fleetfile import parse_fleet
from services.timebase import DAY_MS, HOUR_MS, ms_of

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "firmware_sim" / "scenarios"
WANTED = {
    "quiet_week",
    "long_hot_trip",
    "failing_battery",
    "morning_starts",
    "coverage_gaps",
    "fleet_year",
    "quiet_ridge",
}
PAST_MS = 20_600 * DAY_MS


def loaded(name):
    return load_scenario(FOLDER / f"{name}.toml")


def anchor_of(scenario):
    return PAST_MS if scenario.ends is None else ms_of(scenario.ends)


def test_the_library_holds_what_is_promised():
    assert set(library()) >= WANTED


@pytest.mark.parametrize("name", library())
def test_every_scenario_loads_says_what_it_is_for_and_runs(name):
    scenario = loaded(name)
    assert scenario.about
    anchor_ms = anchor_of(scenario)
    simulator = Simulator(scenario, anchor_ms=anchor_ms, start_ms=anchor_ms - 3 * HOUR_MS)
    blocks = list(simulator.blocks(anchor_ms))
    step_ms = int(blocks[0].t_ms[1] - blocks[0].t_ms[0])
    assert step_ms in {30_000, 60_000}
    assert sum(block.t_ms.size for block in blocks) * step_ms == 3 * HOUR_MS
    for quantity in ("air_c", "food_c", "unit_v", "unit_a"):
        assert np.isfinite(blocks[-1].true[quantity]).all(), quantity


@pytest.mark.parametrize("name", library())
def test_every_fault_begins_within_the_scenarios_own_days(name):
    scenario = loaded(name)
    anchor_ms = anchor_of(scenario)
    start_ms = anchor_ms - round(scenario.days * DAY_MS)
    for told in Faults(scenario, anchor_ms=anchor_ms).told():
        assert start_ms <= told.begins_ms < anchor_ms, told
        assert told.ends_ms is None or told.ends_ms <= anchor_ms, told


@pytest.mark.parametrize("name", library())
def test_every_scenarios_fleet_is_one_the_service_takes(name):
    path = loaded(name).fleet_path
    parse_fleet(path.read_text(encoding="utf-8"), name=path.name)


def test_the_year_has_forty_running_units_and_every_kind_of_fault():
    year = loaded("fleet_year")
    assert len(year.units) == 40
    assert year.days == 365
    assert all(physics.runs for _, physics in year.units)
    assert {fault.kind for fault in year.faults} == set(KINDS)


def test_the_quiet_week_has_no_fault_at_all():
    quiet = loaded("quiet_week")
    assert quiet.faults == ()
    assert not any(physics.event for _, physics in quiet.units)


@pytest.mark.parametrize("name", sorted(WANTED))
def test_the_readme_names_every_scenario_of_the_library(name):
    assert f"`{name}`" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_developers_page_names_every_kind_of_fault():
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [kind for kind in KINDS if f"`{kind}`" not in page] == []
