"""The daily curve of Parton and Logan, Agricultural Meteorology 23 (1981) 205-216.

Parameters of air 1.5 m above ground at Denver: a 1.86 h, b 2.20, c -0.17 h, read in the documentation of an
R package that reproduces the paper's table, whose argument names swap b and c (the paper's equation from
memory). The vector was worked out by hand from the equation; tolerance is its last digit.
"""

import numpy as np
import pytest

from firmware_sim.plant.weather import DENVER_1_5_M, air_c, parton_logan_c

pytestmark = pytest.mark.outside

DAY = {"minimum_c": 19.0, "maximum_c": 35.0, "before_c": 35.0, "before_minimum_c": 19.0}
LIGHT = {"sunrise_h": 5.77, "sunset_h": 19.03}

VECTOR = [
    (0.0, 22.53),
    (3.0, 20.91),
    (6.0, 20.18),
    (9.0, 28.41),
    (12.0, 33.82),
    (15.0, 34.77),
    (18.0, 30.99),
    (21.0, 25.53),
]


def test_the_parameters_are_those_of_the_paper_and_not_swapped():
    assert (DENVER_1_5_M.maximum_lag_h, DENVER_1_5_M.night_fall, DENVER_1_5_M.minimum_lag_h) == (
        1.86,
        2.20,
        -0.17,
    )


@pytest.mark.parametrize(("hour", "expected_c"), VECTOR)
def test_a_hot_summer_day(hour, expected_c):
    assert parton_logan_c(np.array([hour]), **DAY, **LIGHT)[0] == pytest.approx(expected_c, abs=0.005)


def test_the_night_stops_about_1_3_kelvin_above_the_minimum():
    hour = np.array([5.77 - 0.17 - 1e-9, 5.77 - 0.17])
    before, after = parton_logan_c(hour, **DAY, **LIGHT)
    assert after == pytest.approx(19.0, abs=1e-6)
    assert before - after == pytest.approx(1.3, abs=0.3)


def test_the_joined_curve_stays_near_it_by_day():
    """Two published shapes of the same day: mean error of either is 1.2 to 2.6 K (abstract)."""
    hour = np.arange(8.0, 19.0, 0.25)
    joined = air_c(hour, after_minimum_c=19.0, **DAY, **LIGHT)
    assert np.abs(joined - parton_logan_c(hour, **DAY, **LIGHT)).mean() < 1.2
