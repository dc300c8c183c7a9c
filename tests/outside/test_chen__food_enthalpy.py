"""Heat content and ice of food.

ASHRAE Refrigeration Handbook 2006, chapter 9 (thermal properties of foods), equations 4, 18 and 19 after
Chen (1985), the specific heats of Choi and Okos (1986), and its worked example of a 150 kg beef carcass
(equations and constituents read in two public codes that agree; the example's printed answer from memory).
The vectors were worked from the equations by hand, apart from this code. There are two lean beefs: the
one that freezes at -1.0 °C and the one at -1.1 °C; they are told apart on purpose.
"""

import numpy as np
import pytest

from firmware_sim.plant.food import FOODS, Food, Foods, enthalpy_kj_per_kg, ice_share

pytestmark = pytest.mark.outside

LEAN_BEEF_AT_MINUS_1_0 = [
    (-30.0, 20.6),
    (-20.0, 42.9),
    (-18.0, 47.9),
    (-10.0, 72.7),
    (-5.0, 104.1),
    (-2.0, 175.9),
    (-1.0, 288.0),
    (0.0, 291.6),
]
LEAN_BEEF_AT_MINUS_1_1 = [(-20.0, 43.5), (-10.0, 74.3), (-5.0, 107.9), (-2.0, 186.3), (-1.1, 287.2)]
RIEDEL_LEAN_BEEF = [(-20.0, 42.0), (-10.0, 72.0), (-5.0, 105.0), (-2.0, 180.0)]
"""Measured (from memory): an equation that strays 5 % from it would be another food."""
BEEF_OF_71_7_WATER = [(-18.0, 52.9), (-5.0, 129.6), (0.0, 281.2), (20.0, 351.7)]
BEEF_SELECT = [(-20.0, 48.79), (-18.0, 54.6), (-10.0, 84.1), (-5.0, 123.5), (-1.7, 243.13), (5.0, 264.5)]


def _content(temperature_c, food):
    return enthalpy_kj_per_kg(np.array([temperature_c]), food)[0]


@pytest.mark.parametrize(("temperature_c", "content"), LEAN_BEEF_AT_MINUS_1_0)
def test_lean_beef_that_freezes_at_minus_1_0(temperature_c, content):
    assert _content(temperature_c, "lean_beef") == pytest.approx(content, abs=0.06)


@pytest.mark.parametrize(("temperature_c", "content"), LEAN_BEEF_AT_MINUS_1_1)
def test_lean_beef_that_freezes_at_minus_1_1(temperature_c, content):
    assert _content(temperature_c, "lean_beef_1_1") == pytest.approx(content, abs=0.06)


@pytest.mark.parametrize(("temperature_c", "content"), RIEDEL_LEAN_BEEF)
def test_lean_beef_is_within_a_twentieth_of_what_was_measured(temperature_c, content):
    assert _content(temperature_c, "lean_beef_1_1") == pytest.approx(content, rel=0.05)


@pytest.mark.parametrize(("temperature_c", "content"), BEEF_OF_71_7_WATER)
def test_fatter_beef(temperature_c, content):
    assert _content(temperature_c, Food(0.717, 0.21, -1.7)) == pytest.approx(content, abs=0.06)


@pytest.mark.parametrize(("temperature_c", "content"), BEEF_SELECT)
def test_beef_select(temperature_c, content):
    assert _content(temperature_c, "beef_select") == pytest.approx(content, abs=0.06)


def test_a_150_kg_carcass_at_minus_20_holds_70_3_kg_of_ice_and_17_0_kg_of_water():
    ice_kg = 150.0 * ice_share(np.array([-20.0]), "beef_select")[0]
    assert ice_kg == pytest.approx(70.3, abs=0.05)
    assert 150.0 * FOODS["beef_select"].water_share - ice_kg == pytest.approx(17.0, abs=0.05)


def test_freezing_that_carcass_from_10_to_minus_20_takes_34_737_kj():
    taken = 150.0 * (_content(10.0, "beef_select") - _content(-20.0, "beef_select"))
    assert taken == pytest.approx(34_737.0, rel=2e-4)


def test_the_handbook_value_at_freezing_is_a_step_of_2_5_above_ours():
    regression = 9.79246 + 405.096 * 0.5821
    assert regression == pytest.approx(245.60, abs=0.005)
    assert regression - _content(-1.7, "beef_select") == pytest.approx(2.5, abs=0.05)


CHOI_OKOS_5_C = {"protein": 2.0142, "fat": 1.9915, "ash": 1.1020, "water": 4.1286}
"""Specific heat at 5 °C. [kJ/(kg K)] Worked from the printed polynomials."""


def test_heat_capacity_above_freezing_agrees_with_the_constituents_to_a_twentieth():
    """Beef select: water 0.5821, protein 0.1748, fat 0.2255, ash 0.0082 (composition from memory)."""
    shares = {"protein": 0.1748, "fat": 0.2255, "ash": 0.0082, "water": 0.5821}
    mixed = sum(shares[name] * CHOI_OKOS_5_C[name] for name in shares)
    rise = _content(10.0, "beef_select") - _content(0.0, "beef_select")
    assert rise / 10.0 == pytest.approx(mixed, rel=0.05)


@pytest.mark.parametrize(
    ("food", "vectors"), [("lean_beef", LEAN_BEEF_AT_MINUS_1_0), ("beef_select", BEEF_SELECT)]
)
def test_the_table_gives_the_temperatures_back(food, vectors):
    kept = Foods([food] * len(vectors))
    contents = np.array([content for _, content in vectors])
    temperatures = kept.temperature_c(contents)
    assert np.allclose(kept.content_kj_per_kg(temperatures), contents, atol=0.06)
    # The vectors carry one decimal: near freezing that is 1 mK, in the cold 50 mK.
    assert temperatures == pytest.approx([t for t, _ in vectors], abs=0.06)
