import numpy as np
import pytest

from services.analytics.food.enthalpy import (
    BEEF_SELECT,
    LEAN_BEEF,
    Slownesses,
    apparent_kj_per_kg_k,
    density_kg_per_m3,
    enthalpy_kj_per_kg,
)

FOODS = pytest.mark.parametrize("food", [LEAN_BEEF, BEEF_SELECT])


@FOODS
def test_heat_content_rises_without_a_step_at_freezing(food):
    t_c = np.linspace(-30, 20, 50_001)
    content = enthalpy_kj_per_kg(t_c, food)
    assert np.all(np.diff(content) > 0)
    assert np.max(np.diff(content)) < 0.001 * 1.05 * np.max(apparent_kj_per_kg_k(t_c, food))


@FOODS
def test_what_a_food_takes_per_kelvin_is_the_slope_of_its_content(food):
    t_c = np.array([-25.0, -12.0, -5.0, -2.5, 3.0])
    slope = (enthalpy_kj_per_kg(t_c + 1e-5, food) - enthalpy_kj_per_kg(t_c - 1e-5, food)) / 2e-5
    assert np.allclose(apparent_kj_per_kg_k(t_c, food), slope, rtol=1e-6)


def test_volumes_add_and_not_densities():
    half = density_kg_per_m3(5.0, {"water": 0.5, "fat": 0.5})
    assert half < 0.5 * (density_kg_per_m3(5.0, {"water": 1.0}) + density_kg_per_m3(5.0, {"fat": 1.0}))


@FOODS
def test_the_pieces_hold_the_same_heat_as_the_curve_between_their_joints(food):
    pieces = Slownesses.of(food)
    joints = np.array(pieces.joints_c)
    assert np.all(np.diff(joints) > 0)
    assert joints[-1] == food.freezing_c
    assert len(pieces.ratio) == joints.size + 1
    held = np.array(pieces.ratio[1:-1]) * food.thawed_kj_per_kg_k * np.diff(joints)
    assert np.allclose(held, np.diff(enthalpy_kj_per_kg(joints, food)))
    assert pieces.ratio[-1] == 1.0
