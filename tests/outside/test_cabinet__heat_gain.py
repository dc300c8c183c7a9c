"""Heat that gets into a cabinet through its walls and its door.

Walls: conduction shape factors of edges and corners (any text on conduction, from memory), worked by hand
for an 82 l box. Doorways: Gosney and Olama (1975) as in ASHRAE Refrigeration, refrigerated-facility loads
(form seen in teaching slides), worked by hand for an upright door; moist air to the same hand calculation.
"""

import numpy as np
import pytest

from firmware_sim.plant.air import (
    density_kg_per_m3,
    doorway_m3_per_s,
    enthalpy_kj_per_kg,
    saturated_kg_per_kg,
)
from firmware_sim.plant.cabinet import box_shell

pytestmark = pytest.mark.outside

BOX = {"length_m": 0.600, "width_m": 0.360, "height_m": 0.380, "wall_m": 0.050, "foam_w_per_m_k": 0.024}

PASCAL = 101_325.0


def test_walls_by_shape_factors_alone_lose_0_628_w_per_k():
    assert box_shell(**BOX, film_w_per_m2_k=1e9).walls_w_per_k == pytest.approx(0.628, abs=0.0005)


def test_walls_with_films_lose_0_565_and_with_the_seal_0_64_w_per_k():
    shell = box_shell(**BOX)
    assert shell.walls_w_per_k == pytest.approx(0.565, abs=0.0005)
    assert shell.seal_w_per_k == pytest.approx(0.077, abs=0.0005)
    assert shell.whole_w_per_k == pytest.approx(0.64, abs=0.005)


@pytest.mark.parametrize(
    ("outside_c", "inside_c", "heat_w"), [(25, 4, 13.5), (35, 4, 19.9), (43, 4, 25.0), (35, -15, 32.1)]
)
def test_heat_gain_of_the_box_at_four_conditions(outside_c, inside_c, heat_w):
    """The printed watts are those of 0.642 W/K."""
    assert box_shell(**BOX).whole_w_per_k * (outside_c - inside_c) == pytest.approx(heat_w, abs=0.06)


def _moist(temperature_c, relative):
    """Return humidity ratio from relative humidity: vapour pressure is in proportion."""
    saturated = saturated_kg_per_kg(np.array([temperature_c]))
    vapour_pa = relative * PASCAL * saturated / (0.622 + saturated)
    return 0.622 * vapour_pa / (PASCAL - vapour_pa)


@pytest.fixture
def doorway():
    inside_c, outside_c = np.array([4.0]), np.array([35.0])
    inside_w, outside_w = _moist(4.0, 0.8), _moist(35.0, 0.4)
    inside, outside = density_kg_per_m3(inside_c, inside_w), density_kg_per_m3(outside_c, outside_w)
    flow = doorway_m3_per_s(
        area_m2=np.array([0.55 * 1.2]),
        height_m=np.array([1.2]),
        inside_kg_per_m3=inside,
        outside_kg_per_m3=outside,
    )
    return {
        "inside": inside[0],
        "outside": outside[0],
        "flow": flow[0],
        "low": enthalpy_kj_per_kg(inside_c, inside_w)[0],
        "high": enthalpy_kj_per_kg(outside_c, outside_w)[0],
    }


def test_air_of_the_doorway_example(doorway):
    assert doorway["inside"] == pytest.approx(1.2706, abs=0.001)
    assert doorway["outside"] == pytest.approx(1.1359, abs=0.001)
    assert doorway["low"] == pytest.approx(14.1, abs=0.1)
    assert doorway["high"] == pytest.approx(71.5, abs=0.2)


def test_an_upright_door_lets_11_5_kw_in(doorway):
    assert doorway["flow"] == pytest.approx(0.158, abs=0.0005)
    heat_kw = doorway["flow"] * doorway["inside"] * (doorway["high"] - doorway["low"])
    assert heat_kw == pytest.approx(11.5, abs=0.1)


def test_one_change_of_150_litres_takes_a_second_and_brings_10_9_kj(doorway):
    assert 0.150 / doorway["flow"] == pytest.approx(1.0, abs=0.06)
    heat_kj = 0.150 * doorway["inside"] * (doorway["high"] - doorway["low"])
    assert heat_kj == pytest.approx(10.9, abs=0.1)
