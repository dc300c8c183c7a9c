from zoneinfo import ZoneInfo

import numpy as np
import pytest

from firmware_sim.plant.forcing import STEPS_A_DAY, Outside, event_start_ms
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S, Event
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

DAY = 20_400
ANCHOR_MS = (DAY + 1) * DAY_MS


@pytest.fixture
def outside(tmp_path):
    return Outside(load_scenario(write_small_fleet(tmp_path)), anchor_ms=ANCHOR_MS)


def test_a_day_is_the_same_whenever_it_is_asked_for(outside, tmp_path):
    other = Outside(load_scenario(tmp_path / "small.toml"), anchor_ms=ANCHOR_MS)
    other.day(DAY + 5)
    first, second = outside.day(DAY), other.day(DAY)
    assert np.array_equal(first.outside_c, second.outside_c)
    assert np.array_equal(first.lid_w_per_k, second.lid_w_per_k)
    assert np.array_equal(first.noise["cabinet_c"], second.noise["cabinet_c"])


def test_days_join_without_a_step_in_temperature(outside):
    before, after = outside.day(DAY).outside_c[-1], outside.day(DAY + 1).outside_c[0]
    assert np.abs(after - before).max() < 0.05


def test_another_seed_is_another_day(outside, tmp_path):
    scenario = load_scenario(write_small_fleet(tmp_path, scenario=SCENARIO.replace("seed = 3", "seed = 4")))
    other = Outside(scenario, anchor_ms=ANCHOR_MS).day(DAY)
    assert not np.array_equal(outside.day(DAY).outside_c, other.outside_c)


def test_the_engine_charges_in_the_sites_morning(outside):
    engine = outside.day(DAY).charging.engine[:, 0]
    running_h = np.flatnonzero(engine > 0.0) * STEP_S / 3600.0
    assert 3.6 < running_h.min() < 4.4  # 06:00 at UTC+2, moved by up to 20 min
    assert 6.6 < running_h.max() < 7.4
    assert engine.max() == pytest.approx(1.0)


def test_lids_open_around_meals_and_for_well_under_an_hour(outside):
    open_steps = outside.day(DAY).lid_w_per_k[:, 0] > 0.0
    assert 0 < open_steps.sum() * STEP_S < 3600
    hours = np.flatnonzero(open_steps) * STEP_S / 3600.0 + 2.0
    near = np.min(np.abs(hours[:, None] - np.array([[6.0, 12.5, 18.5]])), axis=1)
    assert near.max() < 0.8


def test_a_lid_ajar_lets_heat_in_for_its_hours(tmp_path):
    text = SCENARIO + '[[unit.event]]\nkind = "lid_ajar"\nbegins_h_before = 10\nlasts_h = 3\n'
    scenario = load_scenario(write_small_fleet(tmp_path, scenario=text))
    lid = Outside(scenario, anchor_ms=ANCHOR_MS).day(DAY).lid_w_per_k[:, 1]
    first = (DAY_MS - 10 * HOUR_MS) // (STEP_S * 1000)
    assert np.all(lid[first : first + 3 * 3600 // STEP_S] >= 1.8 - 1e-9)
    assert lid.size == STEPS_A_DAY


@pytest.mark.parametrize("anchor_hour", range(0, 24, 5))
def test_an_event_at_a_clock_time_begins_then_and_early_enough(anchor_hour):
    event = Event(kind="lid_ajar", begins_h_before=14, lasts_h=2, at_h=17.5)
    anchor_ms = ANCHOR_MS + anchor_hour * HOUR_MS
    start_ms = event_start_ms(event, anchor_ms=anchor_ms, zone=ZoneInfo("Africa/Lusaka"))
    assert (start_ms % DAY_MS) / HOUR_MS == pytest.approx(15.5)
    assert 14.0 <= (anchor_ms - start_ms) / HOUR_MS < 38.0
