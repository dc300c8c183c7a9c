from zoneinfo import ZoneInfo

import numpy as np
import pytest

from firmware_sim.plant.forcing import STEPS_A_DAY, Outside, event_start_ms
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S, Event
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet

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


def _with(tmp_path, *, unit="", site="", fleet=FLEET):
    text = SCENARIO.replace('id = "cart-meat"', f'id = "cart-meat"\n{unit}', 1)
    text = text.replace('[[site]]\nid = "cart-1"', f'[[site]]\nid = "cart-1"\n{site}')
    path = write_small_fleet(tmp_path, scenario=text + PANEL, fleet=fleet)
    return Outside(load_scenario(path), anchor_ms=ANCHOR_MS)


def test_a_closed_cabin_is_hot_while_parked_in_the_sun_and_cools_on_the_road(tmp_path):
    outside = _with(tmp_path, unit="in_sun_k = 4\nparked_sun_k = 25\n", site="cloud_share = 0.0")
    day = outside.day(DAY)
    air = outside.day(DAY).outside_c[:, 1] - 4.0 * _sun(day)
    gain_k = (day.outside_c[:, 0] - air) / np.maximum(_sun(day), 1e-9)
    driven = (day.charging.engine[:, 0] == 1.0) & (_sun(day) > 0.2)
    parked = (day.charging.engine[:, 0] == 0.0) & (_sun(day) > 0.2)
    assert gain_k[driven] == pytest.approx(4.0)
    assert gain_k[parked] == pytest.approx(25.0)


def _sun(day):
    """Share of full sun at the only site, from the bank's panels or the weather there."""
    return day.charging.sun_w_per_m2[:, 0] / 1000.0


PANEL = '[[bank]]\nid = "cart-bank"\npanel_wp = 100\n'


def test_a_cabin_follows_the_sun_late(tmp_path):
    quick = _with(tmp_path, unit="parked_sun_k = 25").day(DAY).outside_c[:, 0]
    slow = _with(tmp_path, unit="parked_sun_k = 25\ncabin_lag_min = 30").day(DAY).outside_c[:, 0]
    assert slow.argmax() >= quick.argmax()
    dusk = slice(16 * 3600 // STEP_S, 17 * 3600 // STEP_S)
    assert np.all(slow[dusk] > quick[dusk])
    morning = slice(7 * 3600 // STEP_S, 9 * 3600 // STEP_S)
    assert np.all(slow[morning] <= quick[morning] + 1e-6)


def test_a_late_cabin_has_no_step_at_midnight(tmp_path):
    outside = _with(tmp_path, unit="parked_sun_k = 25\ncabin_lag_min = 120")
    before, after = outside.day(DAY).outside_c[-1], outside.day(DAY + 1).outside_c[0]
    assert np.abs(after - before).max() < 0.05


def test_an_open_lid_counts_and_one_ajar_does_not(tmp_path):
    ajar = '[[unit.event]]\nkind = "lid_ajar"\nbegins_h_before = 10\nlasts_h = 3\n'
    text = SCENARIO.replace('[[unit]]\nid = "hall-frozen"', f'{ajar}[[unit]]\nid = "hall-frozen"')
    outside = Outside(load_scenario(write_small_fleet(tmp_path, scenario=text)), anchor_ms=ANCHOR_MS)
    day = outside.day(DAY)
    assert 0.0 < day.lid_share[:, 0].max() <= 1.0
    first = (DAY_MS - 10 * HOUR_MS) // (STEP_S * 1000)
    held = slice(first, first + 3600 // STEP_S)
    assert np.all(day.lid_w_per_k[held, 0] >= 1.8 - 1e-9)
    assert day.lid_share[held, 0].mean() < 0.2


def test_a_unit_on_a_generator_has_power_only_while_it_runs(tmp_path):
    fleet = FLEET.replace('kind = "mains"', 'kind = "generator"')
    scheduled = _with(tmp_path, site="generator = [[18.0, 22.0]]", fleet=fleet).day(DAY).fed
    assert 3.0 < scheduled[:, 1].sum() * STEP_S / 3600.0 < 5.0
    assert scheduled[:, 0].all()
    assert _with(tmp_path, fleet=fleet).day(DAY).fed.all()


def test_a_row_holds_what_acts_in_that_step(outside):
    day = outside.day(DAY)
    inputs = day.inputs(1500)
    assert inputs.cable_c.tolist() == day.outside_c[1500].tolist()
    assert inputs.bank_c.tolist() == day.charging.bank_c[1500].tolist()
    assert inputs.source_a is None


def test_panels_are_packed_away_on_the_road(tmp_path):
    move = "move = [{ begins_h_before = 20.0, at_h = 10.0, lasts_h = 3.0 }]"
    outside = _with(tmp_path, site=f"{move}\ncloud_share = 0.0")
    moving, still = outside.day(DAY - 1), outside.day(DAY)
    moved = max((moving, still), key=lambda day: day.charging.engine.sum())
    noon = slice(int(8.5 * 3600 / STEP_S), int(10.5 * 3600 / STEP_S))
    assert moved.charging.sun_w_per_m2[noon, 0].max() == 0.0
    assert moved.charging.engine[noon, 0].min() == 1.0
