"""Mean kinetic temperature, USP 29 <1160> (equation and constants read in a copy): ΔH/R is 10 000 K.

Expected values computed by hand from the equation, with K = °C + 273.15.
"""

import numpy as np
import pytest

from services.analytics.food.kinetic import ACTIVATION_K, mean_kinetic_c

pytestmark = pytest.mark.outside


def test_the_constants_are_those_of_the_text():
    assert pytest.approx(10_000.0) == ACTIVATION_K


@pytest.mark.parametrize(
    ("name", "food_c", "weights", "mean_c"),
    [
        ("MKT-1", [5, 5, 5, 5], [1, 1, 1, 1], 5.0),
        ("MKT-2", [2, 4, 8, 20], [1, 1, 1, 1], 11.698),
        ("MKT-3", [4, 12], [22, 2], 5.051),
        ("MKT-4", [5, 25], [23, 1], 7.756),
        ("MKT-5", [-18, -18, -18, -5], [1, 1, 1, 1], -12.109),
    ],
)
def test_worked_cases(name, food_c, weights, mean_c):
    found = mean_kinetic_c(np.array(food_c, dtype=float), np.array(weights, dtype=float))
    assert found == pytest.approx(mean_c, abs=5e-4), name


def test_mkt2_term_by_term():
    """The four terms as worked by hand, and their mean taken back to a temperature."""
    terms = [1.64469e-16, 2.13789e-16, 3.57212e-16, 1.531959e-15]
    by_hand = 10_000.0 / -np.log(np.mean(terms)) - 273.15
    assert mean_kinetic_c(np.array([2.0, 4.0, 8.0, 20.0]), np.ones(4)) == pytest.approx(by_hand, abs=1e-3)
