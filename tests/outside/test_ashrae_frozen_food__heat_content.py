"""Heat content, ice and density of frozen food as the analytics use them.

ASHRAE Refrigeration Handbook 2006, chapter 9 (thermal properties of foods), after Chen (1985) and Choi and
Okos (1986), read in secondary copies (two public codes that agree); beef select's composition, the printed
answer of the 150 kg example and Riedel's measured contents of lean beef from memory. Vectors were worked
from the equations apart from this code (cases TH-1 to TH-3 and TH-5; TH-4 stands with the hold-over).
"""

import numpy as np
import pytest

from services.analytics.food.enthalpy import (
    BEEF_SELECT,
    LEAN_BEEF,
    apparent_kj_per_kg_k,
    density_kg_per_m3,
    enthalpy_kj_per_kg,
)

pytestmark = pytest.mark.outside


def content(t_c, food):
    return float(enthalpy_kj_per_kg(np.array([t_c]), food)[0])


def test_th_1_water_that_never_freezes_in_beef():
    assert BEEF_SELECT.bound == pytest.approx(0.0699, abs=5e-5)


@pytest.mark.parametrize(
    ("t_c", "expected"),
    [(-20.0, 48.79), (-18.0, 54.6), (-10.0, 84.1), (-5.0, 123.5), (-1.7, 243.13), (5.0, 264.5)],
)
def test_th_2_heat_content_of_beef_select(t_c, expected):
    assert content(t_c, BEEF_SELECT) == pytest.approx(expected, abs=0.06)


def test_th_2_freezing_a_carcass_and_the_step_the_handbook_makes():
    ours = content(10.0, BEEF_SELECT) - content(-20.0, BEEF_SELECT)
    assert 150 * ours == pytest.approx(34_737, abs=5)
    step = 9.79246 + 405.096 * 0.5821 - content(-1.7, BEEF_SELECT)
    assert step == pytest.approx(2.47, abs=0.01)
    assert 150 * (ours + step) == pytest.approx(35_107, abs=5)


@pytest.mark.parametrize(
    ("t_c", "expected"), [(-20.0, 43.5), (-10.0, 74.3), (-5.0, 107.9), (-2.0, 186.3), (-1.1, 287.2)]
)
def test_th_3_heat_content_of_lean_beef(t_c, expected):
    assert content(t_c, LEAN_BEEF) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(("t_c", "measured"), [(-20.0, 42.0), (-10.0, 72.0), (-5.0, 105.0), (-2.0, 180.0)])
def test_th_3_lean_beef_stays_within_a_twentieth_of_riedels_measurements(t_c, measured):
    assert content(t_c, LEAN_BEEF) == pytest.approx(measured, rel=0.05)


@pytest.mark.parametrize(("t_c", "expected"), [(-20.0, 2.803), (-10.0, 4.981), (-5.0, 13.695), (-2.0, 74.69)])
def test_th_3_apparent_specific_heat_of_beef_select(t_c, expected):
    assert float(apparent_kj_per_kg_k(np.array([t_c]), BEEF_SELECT)[0]) == pytest.approx(expected, rel=2e-4)


def test_th_5_density_of_beef_select_at_5_degrees():
    # The shares printed add up to 0.9906; both sums are taken over what they hold.
    shares = {"water": 0.5821, "protein": 0.1748, "fat": 0.2255, "ash": 0.0082}
    assert density_kg_per_m3(5.0, shares) == pytest.approx(1028.6, abs=0.1)
    weighted = sum(share * density_kg_per_m3(5.0, {name: 1.0}) for name, share in shares.items())
    weighted /= sum(shares.values())
    assert weighted == pytest.approx(1050.4, abs=0.1)
