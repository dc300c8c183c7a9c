import numpy as np
import pytest

from firmware_sim.plant.cabinet import box_ua_w_per_k, cabinet_after, cooling_w
from firmware_sim.plant.food import enthalpy_kj_per_kg


def _ones(value):
    return np.array([float(value)])


def _run(*, air_c, food_c, outside_c, walls, removed_w, step_s, hours, contact=3.0, food_kg=10.0):
    air, content, food = _ones(air_c), enthalpy_kj_per_kg(_ones(food_c)), _ones(food_c)
    entered = 0.0
    for _ in range(round(hours * 3600 / step_s)):
        air, content, food, joules = cabinet_after(
            air,
            content,
            food,
            outside_c=_ones(outside_c),
            shell_w_per_k=_ones(walls),
            contact_w_per_k=_ones(contact),
            liner_j_per_k=_ones(7000.0),
            food_kg=_ones(food_kg),
            removed_w=_ones(removed_w),
            step_s=step_s,
        )
        entered += joules[0]
    return air[0], content[0], food[0], entered


def test_energy_closes_over_a_day():
    start = enthalpy_kj_per_kg(_ones(3.0))[0]
    air, content, _, entered = _run(
        air_c=3.0, food_c=3.0, outside_c=33.0, walls=0.62, removed_w=15.0, step_s=30.0, hours=24.0
    )
    gained_j = 7000.0 * (air - 3.0) + 1000.0 * 10.0 * (content - start)
    assert gained_j == pytest.approx(entered - 15.0 * 86_400.0, rel=1e-9)


def test_unpowered_cabinet_ends_at_outside_temperature_and_never_above():
    air, _, food, _ = _run(
        air_c=3.0, food_c=3.0, outside_c=33.0, walls=0.62, removed_w=0.0, step_s=60.0, hours=1000.0
    )
    assert air == pytest.approx(33.0, abs=0.05)
    assert food == pytest.approx(33.0, abs=0.05)
    assert air <= 33.0


def test_steady_state_balances_walls_and_machine():
    air, _, food, _ = _run(
        air_c=5.0, food_c=5.0, outside_c=35.0, walls=0.64, removed_w=19.2, step_s=60.0, hours=2000.0
    )
    assert air == pytest.approx(35.0 - 19.2 / 0.64, abs=0.01)
    assert food == pytest.approx(air, abs=0.01)


def test_halving_the_step_changes_little():
    coarse = _run(air_c=3.0, food_c=3.0, outside_c=33.0, walls=0.6, removed_w=0.0, step_s=60.0, hours=12.0)
    fine = _run(air_c=3.0, food_c=3.0, outside_c=33.0, walls=0.6, removed_w=0.0, step_s=5.0, hours=12.0)
    assert coarse[0] == pytest.approx(fine[0], abs=0.02)
    assert coarse[2] == pytest.approx(fine[2], abs=0.02)


def test_thawing_food_holds_the_cabinet_back():
    kept = {"outside_c": 33.0, "walls": 0.6, "removed_w": 0.0, "step_s": 60.0, "food_kg": 20.0}
    _, _, frozen, _ = _run(air_c=-18.0, food_c=-18.0, hours=48.0, **kept)
    _, _, thawed, _ = _run(air_c=2.0, food_c=2.0, hours=48.0, **kept)
    assert frozen < 0.0
    assert thawed > 15.0


def test_machine_gives_less_in_heat_and_more_when_the_cabinet_is_warm():
    cool = cooling_w(
        np.array([60.0] * 3),
        outside_c=np.array([32.0, 45.0, 32.0]),
        air_c=np.array([3.0, 3.0, 13.0]),
        set_point_c=np.array([3.0] * 3),
    )
    assert cool[0] == pytest.approx(60.0)
    assert cool[1] < 60.0 < cool[2]


def test_thicker_walls_let_less_through():
    box = {"length_m": 0.5, "width_m": 0.35, "height_m": 0.35, "foam_w_per_m_k": 0.024}
    assert box_ua_w_per_k(wall_m=0.08, **box) < box_ua_w_per_k(wall_m=0.04, **box)
