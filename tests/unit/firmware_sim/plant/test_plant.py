import numpy as np
import pytest

from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.plant import Plant, Step
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

HOUR = 3600 // STEP_S
SHUT, NO_CHARGE = np.zeros(2), np.zeros(1)


def _plant(tmp_path, *, physics="", bank=""):
    text = SCENARIO.replace('id = "cart-meat"', f'id = "cart-meat"\n{physics}')
    return Plant(load_scenario(write_small_fleet(tmp_path, scenario=text + bank)))


def _run(plant, state, steps, *, outside_c=32.0, source_a=0.0):
    shown = [
        plant.advance(state, np.full(2, outside_c), SHUT, Inputs(np.array([source_a]))) for _ in range(steps)
    ]
    return {
        name: np.stack([getattr(step, name) for step in shown])
        for name in Step.__dataclass_fields__
    }


def _held_j(plant, state):
    sizes = plant.sizes
    return (
        sizes.air_j_per_k * state.air_c
        + sizes.plate_j_per_k * state.plate_c
        + 1000.0 * sizes.food_kg * state.food_kj_per_kg
        + 1000.0 * state.fresh_kg * state.fresh_kj_per_kg
    )


def test_a_healthy_cabinet_cycles_around_its_set_point(tmp_path):
    plant = _plant(tmp_path)
    ran = _run(plant, plant.start(), 8 * HOUR)
    air = ran["air_c"][HOUR:]
    assert air[:, 0].min() > 0.0  # the plate is still cold when the machine stops
    assert air[:, 0].max() < 3.3
    assert 0.1 < ran["on"][:, 0].mean() < 0.6
    assert abs(ran["food_c"][-1, 0] - 2.0) < 0.3


def test_heat_that_entered_less_heat_removed_is_what_the_nodes_gained(tmp_path):
    plant = _plant(tmp_path)
    state = plant.start()
    before = _held_j(plant, state)
    ran = _run(plant, state, 24 * HOUR)
    net_j = (ran["entered_j"] + ran["loaded_j"] - ran["removed_w"] * STEP_S).sum(axis=0)
    assert net_j == pytest.approx(_held_j(plant, state) - before, rel=1e-6, abs=1.0)


def test_charge_taken_equals_current_times_time(tmp_path):
    plant = _plant(tmp_path)
    state = plant.start()
    before = (state.q1_ah + state.q2_ah)[0]
    ran = _run(plant, state, 6 * HOUR)
    taken = ran["unit_a"][:, 0].sum() * STEP_S / 3600.0
    # Currents are booked at the voltage of the step before: a few parts in ten thousand.
    assert before - (state.q1_ah + state.q2_ah)[0] == pytest.approx(taken, rel=5e-3)


def test_a_flat_battery_cuts_the_unit_out_and_it_stays_out(tmp_path):
    plant = _plant(tmp_path, bank='[[bank]]\nid = "cart-bank"\nhealth = 0.2\nstart_soc = 0.3\n')
    ran = _run(plant, plant.start(), 24 * HOUR, outside_c=38.0)
    last_on = np.flatnonzero(ran["on"][:, 0])[-1]
    assert last_on < 20 * HOUR
    assert ran["unit_v"][last_on, 0] < 11.4
    assert ran["air_c"][-1, 0] > ran["air_c"][last_on, 0] + 1.0
    assert np.all(ran["unit_v"][last_on + 1 :, 0] > ran["unit_v"][last_on, 0])


def test_charging_brings_a_cut_out_unit_back(tmp_path):
    plant = _plant(tmp_path, bank='[[bank]]\nid = "cart-bank"\nhealth = 0.2\nstart_soc = 0.3\n')
    state = plant.start()
    _run(plant, state, 24 * HOUR, outside_c=38.0)
    assert state.control.locked[0]
    ran = _run(plant, state, HOUR, source_a=20.0)
    assert not state.control.locked[0]
    assert ran["on"][:, 0].any()


def test_a_bad_joint_drops_the_voltage_under_load_only(tmp_path):
    good, bad = (_plant(tmp_path, physics=f"joint_mohm = {joint}") for joint in (15, 215))
    shown = [_run(plant, plant.start(), 4 * HOUR) for plant in (good, bad)]
    loaded = [ran["unit_v"][ran["on"][:, 0], 0].mean() for ran in shown]
    resting = [ran["unit_v"][~ran["on"][:, 0], 0].mean() for ran in shown]
    assert loaded[0] - loaded[1] == pytest.approx(0.2 * 4.2, rel=0.1)
    assert abs(resting[0] - resting[1]) < 0.05


def test_a_charger_lifts_the_voltage_and_floats_when_full(tmp_path):
    plant = _plant(tmp_path)
    ran = _run(plant, plant.start(), 24 * HOUR, source_a=20.0)
    assert ran["bank_v"].max() == pytest.approx(14.4, abs=0.01)
    assert ran["bank_v"][-1, 0] == pytest.approx(13.6, abs=0.01)
    assert ran["soc"][-1, 0] > 0.97
    assert ran["soc"].max() <= 1.0 + 1e-9


def test_a_stopped_machine_rests_before_it_starts_again(tmp_path):
    plant = _plant(tmp_path)
    on = _run(plant, plant.start(), 12 * HOUR)["on"][:, 0].astype(int)
    edges = np.diff(on)
    stops, starts = np.flatnonzero(edges == -1), np.flatnonzero(edges == 1)
    rests = [starts[starts > stop][0] - stop for stop in stops if (starts > stop).any()]
    assert rests
    assert min(rests) * STEP_S >= 180


def test_a_switched_off_unit_draws_nothing(tmp_path):
    plant = _plant(tmp_path, physics="runs = false")
    ran = _run(plant, plant.start(), HOUR)
    assert not ran["on"][:, 0].any()
    assert ran["unit_a"][:, 0].max() == 0.0
