import numpy as np
import pytest

from firmware_sim.plant.air import saturated_kg_per_kg
from firmware_sim.plant.cabinet import Paths, box_shell, frost_after, nodes_after
from firmware_sim.plant.food import enthalpy_kj_per_kg, temperature_of
from firmware_sim.plant.refrigeration import HeatLine

AIR_J, PLATE_J = 4500.0, 2500.0


def _ones(value):
    return np.array([float(value)])


def _run(*, inside_c, outside_c, walls, removed_w, step_s, hours, contact=3.0, food_kg=10.0):
    """Run one cabinet with a machine that takes the same heat whatever its plate."""
    air, plate, food = _ones(inside_c), _ones(inside_c), _ones(inside_c)
    content, entered = enthalpy_kj_per_kg(food), 0.0
    paths = Paths(_ones(walls), _ones(0), _ones(8), _ones(contact), _ones(0), _ones(AIR_J), _ones(PLATE_J))
    for _ in range(round(hours * 3600 / step_s)):
        nodes = nodes_after(
            air,
            plate,
            food,
            food,
            outside_c=_ones(outside_c),
            paths=paths,
            line=HeatLine(_ones(removed_w), _ones(0)),
            fan_w=_ones(0),
            moisture_w=_ones(0),
            step_s=step_s,
        )
        air, plate = nodes.air_c, nodes.plate_c
        content = content + nodes.to_food_j / (1000.0 * food_kg)
        food = temperature_of(content)
        entered += nodes.entered_j[0]
    return air[0], plate[0], content[0], food[0], entered


def test_energy_closes_over_a_day():
    start = enthalpy_kj_per_kg(_ones(3.0))[0]
    air, plate, content, _, entered = _run(
        inside_c=3.0, outside_c=33.0, walls=0.62, removed_w=15.0, step_s=30.0, hours=24.0
    )
    gained_j = AIR_J * (air - 3.0) + PLATE_J * (plate - 3.0) + 1000.0 * 10.0 * (content - start)
    assert gained_j == pytest.approx(entered - 15.0 * 86_400.0, rel=1e-9)


def test_unpowered_cabinet_ends_at_outside_temperature_and_never_above():
    air, plate, _, food, _ = _run(
        inside_c=3.0, outside_c=33.0, walls=0.62, removed_w=0.0, step_s=60.0, hours=1000.0
    )
    assert air == pytest.approx(33.0, abs=0.05)
    assert food == pytest.approx(33.0, abs=0.05)
    assert max(air, plate, food) <= 33.0


def test_steady_state_balances_walls_and_machine():
    air, plate, _, food, entered = _run(
        inside_c=5.0, outside_c=35.0, walls=0.64, removed_w=19.2, step_s=300.0, hours=2000.0
    )
    assert 0.64 * (0.6 * (35.0 - air) + 0.4 * (35.0 - plate)) == pytest.approx(19.2, abs=0.01)
    assert plate < air
    assert food == pytest.approx(air, abs=0.01)
    assert entered > 0.0


@pytest.mark.parametrize("step_s", [30.0, 60.0])
def test_a_shorter_step_changes_little(step_s):
    kept = {"inside_c": 3.0, "outside_c": 33.0, "walls": 0.6, "removed_w": 0.0, "hours": 12.0}
    coarse, fine = _run(step_s=step_s, **kept), _run(step_s=2.0, **kept)
    assert coarse[0] == pytest.approx(fine[0], abs=0.03)
    assert coarse[3] == pytest.approx(fine[3], abs=0.03)


def test_a_minute_long_step_neither_swings_nor_overshoots_with_a_light_plate():
    paths = Paths(_ones(0.6), _ones(0), _ones(60), _ones(3), _ones(0), _ones(200), _ones(200))
    air, plate, seen = _ones(20), _ones(20), []
    for _ in range(60):
        nodes = nodes_after(
            air,
            plate,
            _ones(3),
            _ones(3),
            outside_c=_ones(33),
            paths=paths,
            line=HeatLine(_ones(60), _ones(5)),
            fan_w=_ones(0),
            moisture_w=_ones(0),
            step_s=60.0,
        )
        air, plate = nodes.air_c, nodes.plate_c
        seen.append(air[0])
    assert np.all(np.diff(seen) <= 1e-9)


def test_thawing_food_holds_the_cabinet_back():
    kept = {"outside_c": 33.0, "walls": 0.6, "removed_w": 0.0, "step_s": 60.0, "food_kg": 20.0}
    frozen = _run(inside_c=-18.0, hours=48.0, **kept)[3]
    thawed = _run(inside_c=2.0, hours=48.0, **kept)[3]
    assert frozen < 0.0
    assert thawed > 15.0


def test_thicker_walls_let_less_through_and_the_seal_stays():
    box = {"length_m": 0.5, "width_m": 0.35, "height_m": 0.35, "foam_w_per_m_k": 0.024}
    thick, thin = box_shell(wall_m=0.08, **box), box_shell(wall_m=0.04, **box)
    assert thick.walls_w_per_k < thin.walls_w_per_k
    assert thick.seal_w_per_k == thin.seal_w_per_k == pytest.approx(0.04 * 2.0 * 0.85)


def _frost(kg, plate_c, *, leak=0.5, ratio=1.0, step_s=60.0):
    frost, heat = frost_after(
        _ones(kg),
        plate_c=_ones(plate_c),
        leak_w_per_k=_ones(leak),
        vapour_kg_per_kg=_ones(0.010),
        growth_ratio=_ones(ratio),
        step_s=step_s,
    )
    return frost[0], heat[0]


def test_a_cold_plate_gathers_the_vapour_that_comes_in_and_takes_its_heat():
    frost, heat = _frost(0.1, -20.0)
    excess = 0.010 - saturated_kg_per_kg(_ones(-20.0))[0]
    assert frost - 0.1 == pytest.approx(0.5 / 1006.0 * excess * 60.0)
    assert heat == pytest.approx((frost - 0.1) * 2.83e6 / 60.0)
    assert _frost(0.1, -20.0, ratio=20.0)[0] - 0.1 == pytest.approx(20.0 * (frost - 0.1))


def test_a_plate_above_freezing_melts_frost_and_never_more_than_there_is():
    frost, heat = _frost(0.1, 3.0, leak=0.0)
    assert 0.1 - frost == pytest.approx(8.0 * 3.0 * 60.0 / 333_600.0)
    assert heat == pytest.approx(-24.0)
    left, last = _frost(0.001, 30.0, leak=0.0)
    assert left == pytest.approx(0.0, abs=1e-12)
    assert last == pytest.approx(-0.001 * 333_600.0 / 60.0)


def test_no_vapour_settles_on_a_plate_warmer_than_the_dew_point():
    assert _frost(0.0, 25.0) == (0.0, 0.0)
