from dataclasses import replace

import numpy as np
import pytest

from services.analytics.planning import cabinets
from tests.helpers.trips import trip

CHEST = cabinets.Cabinet(
    unit="v3-meat",
    set_point_c=4.0,
    frozen=False,
    gain_w_per_k=0.64,
    cooling_w=60.0,
    draw_w=48.0,
    food_kg=12.0,
    in_sun_k=4.0,
)


def heat(air_c=4.0, food_c=4.0, *, frozen=False):
    food = cabinets.food_kj_per_kg(np.array([food_c]), frozen=frozen)
    return cabinets.Heat(np.array([air_c]), food, np.zeros(1), np.array([4.0]))


def run(state, cabinet=CHEST, *, hours=1.0, outside=35.0, powered=1.0, step_s=600.0):
    duties = [
        cabinets.step(
            state,
            cabinet,
            outside_c=np.array([outside]),
            gain_w_per_k=np.array([cabinet.gain_w_per_k]),
            cooling_w=np.array([cabinet.cooling_w]),
            use_w=np.zeros(1),
            powered=np.array([powered]),
            step_s=step_s,
        )[0]
        for _ in range(round(hours * 3600 / step_s))
    ]
    return float(np.mean(duties))


def test_at_rest_the_machine_carries_out_what_comes_in():
    state = heat()
    duty = run(state, hours=5, outside=32.0)
    assert duty == pytest.approx(0.64 * 28 / 60)
    assert state.air_c[0] == pytest.approx(4.0)


def test_without_power_it_warms_towards_the_air_outside_and_never_past_it():
    state = heat()
    assert run(state, hours=400, powered=0.0) == 0.0
    assert state.air_c[0] == pytest.approx(35.0, abs=0.05)
    assert cabinets.food_c(state.food_kj_per_kg, frozen=False)[0] <= 35.0


def test_the_step_hardly_matters():
    ends = []
    for step_s in (60.0, 600.0):
        state = heat()
        run(state, hours=3, powered=0.0, step_s=step_s)
        ends.append(cabinets.food_c(state.food_kj_per_kg, frozen=False)[0])
    assert ends[0] == pytest.approx(ends[1], abs=0.1)


def test_frozen_food_stands_still_while_its_ice_melts():
    freezer = replace(CHEST, set_point_c=-18.0, frozen=True)
    state = heat(-3.0, -3.0, frozen=True)
    run(state, freezer, hours=10, powered=0.0)
    assert -3.0 < cabinets.food_c(state.food_kj_per_kg, frozen=True)[0] < -1.0


def test_what_is_put_in_warms_the_food_beside_it_and_costs_running():
    state, cold = heat(), heat()
    state.load(np.array([20.0]), np.array([30.0]))
    assert run(state, hours=3) > 2 * run(cold, hours=3)
    assert cabinets.food_c(state.food_kj_per_kg, frozen=False)[0] > 4.5


def test_two_loads_mix_by_their_weight():
    state = heat()
    state.load(np.array([10.0]), np.array([30.0]))
    state.load(np.array([30.0]), np.array([10.0]))
    assert state.fresh_c[0] == pytest.approx(15.0)
    assert state.fresh_kg[0] == 40.0


def test_a_machine_cools_less_in_the_heat_and_more_when_warm_inside():
    share = cabinets.cooling_share(np.array([32.0, 42.0, 32.0, 32.0]), np.array([0.0, 0.0, 10.0, 90.0]))
    assert share.tolist() == pytest.approx([1.0, 0.85, 1.2, 1.3])
    assert cabinets.draw_share(np.array([32.0, 42.0])).tolist() == pytest.approx([1.0, 1.15])


def test_what_a_machine_cannot_reach_takes_for_ever():
    terms = {"heat_j_per_k": 77e3, "gain_w_per_k": 0.64, "outside_c": 35.0, "from_c": 30.0}
    assert cabinets.full_duty_hours(**terms, cooling_w=15.0, to_c=4.0) == np.inf
    assert cabinets.full_duty_hours(**terms, cooling_w=60.0, to_c=31.0) == 0.0


def test_what_is_not_said_of_a_cabinet_is_assumed_by_name():
    found = trip()
    cabinet, words = cabinets.cabinet_of(found.units[0], found.settings_of(found.units[0]))
    assert cabinet.cooling_w == pytest.approx(4.2 * 12 * cabinets.FRIDGE_COP)
    assert words == ("heat gain 0.52 W/K", "cooling 63 W")
    told = found.units[0].model_copy(update={"shell_w_per_k": 0.8, "cooling_w": 50.0})
    cabinet, words = cabinets.cabinet_of(told, found.settings_of(told))
    assert (cabinet.gain_w_per_k, cabinet.cooling_w, words) == (0.8, 50.0, ())
