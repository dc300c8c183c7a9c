import numpy as np
import pytest

from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.plant import Plant, Step
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S
from tests.helpers import one_cabinet as bench
from tests.helpers.one_cabinet import held_j
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
    return {name: np.stack([getattr(step, name) for step in shown]) for name in Step.__dataclass_fields__}


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
    before = held_j(plant, state)
    ran = _run(plant, state, 24 * HOUR)
    net_j = (ran["entered_j"] + ran["loaded_j"] - ran["removed_w"] * STEP_S).sum(axis=0)
    assert net_j == pytest.approx(held_j(plant, state) - before, rel=1e-6, abs=1.0)


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


def _drinks(tmp_path):
    text = '[[unit]]\nid = "box"\nfood = "drinks"\nfood_kg = 10\n'
    box = bench.plant(tmp_path, bench.unit(3.0), physics=text)
    state = bench.soak(box, 3.0)
    return box, state


def _once(value, at=0):
    return lambda k: np.array([float(value)]) if k == at else np.zeros(1)


def test_an_opening_lets_in_one_change_of_air_however_long_it_lasts(tmp_path):
    """With a lid a fifth of it; sensible heat of 82 l of air over 30 K is 3 kJ."""
    gained = {}
    for steps in (0, 1, 20):
        box, state = _drinks(tmp_path)
        box.apply({"starts": np.zeros(1)})
        open_ = lambda k, steps=steps: np.array([float(k < steps)])  # noqa: E731
        ran = bench.run(box, state, 0.25, 33.0, lid_share=open_, vapour_kg_per_kg=np.array([0.0]))
        gained[steps] = ran["entered_j"].sum()
    assert gained[1] - gained[0] == pytest.approx(0.2 * 0.082 * 1.28 * 1006.0 * 30.0, rel=0.1)
    assert gained[20] - gained[0] == pytest.approx(gained[1] - gained[0], rel=0.1)


def test_two_openings_let_in_twice_as_much_as_one(tmp_path):
    gained = []
    for openings in ({0}, {0, 20}):
        box, state = _drinks(tmp_path)
        box.apply({"starts": np.zeros(1)})
        open_ = lambda k, openings=openings: np.array([float(k in openings)])  # noqa: E731
        gained.append(bench.run(box, state, 0.5, 33.0, lid_share=open_)["entered_j"].sum())
    box, state = _drinks(tmp_path)
    box.apply({"starts": np.zeros(1)})
    shut = bench.run(box, state, 0.5, 33.0)["entered_j"].sum()
    assert gained[1] - shut == pytest.approx(2.0 * (gained[0] - shut), rel=0.15)


def test_warm_food_put_in_warms_the_rest_and_ends_as_cold(tmp_path):
    box, state = _drinks(tmp_path)
    before = held_j(box, state)
    ran = bench.run(box, state, 30.0, 30.0, load_kg=_once(8.0), load_c=np.array([30.0]))
    fresh = ran["fresh_c"][:, 0]
    assert fresh[0] == pytest.approx(30.0, abs=0.5)
    assert ran["food_c"].max() > 3.3
    assert np.isnan(fresh[-1])  # it counts with the rest
    assert ran["food_c"][-1, 0] < 4.0
    net_j = (ran["entered_j"] + ran["loaded_j"] - ran["removed_w"] * STEP_S).sum(axis=0)
    assert net_j == pytest.approx(held_j(box, state) - before, rel=1e-6, abs=1.0)
    assert (box.sizes.food_kg, state.fresh_kg) == (10.0, 0.0)


def test_a_second_load_joins_the_first(tmp_path):
    box, state = _drinks(tmp_path)
    kilos = lambda k: np.array([{0: 4.0, 10: 4.0}.get(k, 0.0)])  # noqa: E731
    bench.run(box, state, 0.2, 30.0, load_kg=kilos, load_c=np.array([30.0]))
    assert state.fresh_kg[0] == 8.0
    assert 25.0 < state.fresh_c[0] < 30.0


def test_scraping_takes_the_frost_away(tmp_path):
    text = '[[unit]]\nid = "box"\nfrost_kg = 0.8\n'
    box = bench.plant(tmp_path, bench.unit(-18.0), physics=text)
    state = bench.soak(box, -18.0)
    assert state.frost_kg[0] == 0.8
    ran = bench.run(box, state, 0.5, 30.0, defrost=lambda k: np.array([k == 30]))
    assert ran["frost_kg"][29, 0] >= 0.8
    assert ran["frost_kg"][30, 0] < 0.01


def test_a_frosted_plate_makes_the_machine_run_longer(tmp_path):
    text = '[[unit]]\nid = "a"\nfrost_kg = 1.2\n[[unit]]\nid = "b"\n'
    units = (bench.unit(-18.0, name="a"), bench.unit(-18.0, name="b"))
    box = bench.plant(tmp_path, *units, physics=text)
    duty = bench.run(box, bench.soak(box, -18.0), 12.0, 28.0)["on"][480:].mean(axis=0)
    assert duty[0] > 1.2 * duty[1]


def test_a_machine_of_variable_speed_runs_slower_longer_and_cheaper(tmp_path):
    units = (
        bench.unit(3.0, name="a"),
        bench.unit(3.0, name="b", compressor="running_a = 4.2\nvariable_speed = true"),
    )
    box = bench.plant(tmp_path, *units)
    ran = bench.run(box, bench.soak(box, 3.0), 24.0, 32.0)
    duty, power = ran["on"].mean(axis=0), ran["unit_w"].mean(axis=0)
    assert ran["speed_share"][:, 1].max() < 0.9
    assert duty[1] > 1.3 * duty[0]
    assert power[1] < power[0]


def test_a_variable_machine_runs_full_when_the_cabinet_is_hot(tmp_path):
    box = bench.plant(tmp_path, bench.unit(3.0, compressor="variable_speed = true"))
    ran = bench.run(box, bench.soak(box, 30.0), 0.5, 30.0)
    assert ran["speed_share"][-1, 0] == 1.0


@pytest.fixture
def two_zones(tmp_path):
    units = (
        bench.unit(3.0, name="fresh", compressor="running_a = 5.5"),
        bench.unit(-18.0, name="frozen", compressor='shared_with = "fresh"', volume_l=30),
    )
    text = (
        '[[unit]]\nid = "fresh"\ncooling_w = 90\n'
        '[[unit]]\nid = "frozen"\nshell_w_per_k = 0.35\ncooling_w = 55\n'
    )
    return bench.plant(tmp_path, *units, physics=text)


def test_two_zones_on_one_machine_are_both_kept(two_zones):
    state = two_zones.start()
    ran = bench.run(two_zones, state, 24.0, 30.0)
    late = slice(720, None)
    assert ran["air_c"][late].mean(axis=0) == pytest.approx([2.7, -18.0], abs=1.0)
    assert np.all(ran["on"][late].mean(axis=0) > 0.05)


def test_two_zones_draw_one_machines_power_and_shares_add_up(two_zones):
    ran = bench.run(two_zones, two_zones.start(), 12.0, 30.0)
    both = ran["on"].all(axis=1)
    assert both.any()
    assert ran["unit_w"][both].sum(axis=1).max() < 1.6 * 5.5 * 12.0
    assert np.array_equal(ran["unit_a"][:, 0], ran["unit_a"][:, 1])
    asked_a = ran["unit_w"].sum(axis=1) / ran["unit_v"][:, 0]
    assert ran["unit_a"][:, 0] == pytest.approx(asked_a, rel=1e-6)


def test_a_shared_machine_rests_before_it_starts_for_either_zone(two_zones):
    on = bench.run(two_zones, two_zones.start(), 24.0, 30.0)["on"].any(axis=1).astype(int)
    edges = np.diff(on)
    stops, starts = np.flatnonzero(edges == -1), np.flatnonzero(edges == 1)
    rests = [starts[starts > stop][0] - stop for stop in stops if (starts > stop).any()]
    assert rests
    assert min(rests) * STEP_S >= 180


def test_a_blocked_condenser_opens_the_motor_protector_in_the_heat(tmp_path):
    box = bench.plant(tmp_path, bench.unit(3.0))
    state = bench.soak(box, 30.0)
    box.apply({"condenser_ratio": np.array([0.12])})
    ran = bench.run(box, state, 6.0, 45.0)
    opened = ran["overheated"][:, 0]
    assert opened.any()
    assert not ran["on"][opened].any()
    assert ran["on"][-240:].any()  # it closes again
    assert ran["condensing_c"].max() < 90.0


@pytest.mark.parametrize("set_c", [3.0, -18.0])
def test_a_minute_long_step_tells_the_same_story(tmp_path, set_c):
    told = []
    for step_s in (15.0, 60.0):
        box = bench.plant(tmp_path, bench.unit(set_c), step_s=step_s)
        ran = bench.run(box, bench.soak(box, set_c), 24.0, 32.0, step_s=step_s)
        half = ran["on"].shape[0] // 2
        told.append([ran[name][half:].mean() for name in ("on", "air_c", "food_c", "removed_w")])
    assert told[0][0] == pytest.approx(told[1][0], rel=0.08)
    assert told[0][1] == pytest.approx(told[1][1], abs=0.3)
    assert told[0][2] == pytest.approx(told[1][2], abs=0.3)
    assert told[0][3] == pytest.approx(told[1][3], rel=0.05)


def test_a_joint_that_eats_the_starting_current_keeps_the_machine_from_turning(tmp_path):
    plant = _plant(tmp_path)
    state = plant.start()
    plant.apply({"joint_ohm_added": np.array([0.9, 0.0])})
    ran = _run(plant, state, 2 * HOUR)
    assert not ran["on"][:, 0].any()
    assert state.control.failed_starts[0] >= 5
    plant.apply({})
    ran = _run(plant, state, 2 * HOUR)
    assert ran["on"][:, 0].any()


def test_healthy_machines_never_fail_to_start(tmp_path):
    plant = _plant(tmp_path)
    state = plant.start()
    _run(plant, state, 12 * HOUR)
    assert state.control.failed_starts.sum() == 0
