"""Distances and lines of the fleet comparison against published numbers and the libraries."""

import numpy as np
import pytest
from scipy import stats

from services.analytics.service.fleet import MAD_TO_SD, robust

HEART_P = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000),
)
"""Benjamini and Hochberg (1995), J. R. Stat. Soc. B 57(1), section 3.2: 15 p-values (from memory)."""


def test_the_worked_example_rejects_the_first_four():
    lines = stats.false_discovery_control(HEART_P)
    assert np.flatnonzero(lines <= 0.05).tolist() == [0, 1, 2, 3]
    # section 3.2, from memory: the fourth lies below 4/15 of 0.05, which is 0.013
    assert lines[3] == pytest.approx(0.0095 * 15 / 4)


def test_middle_and_scatter_are_those_of_the_library():
    rng = np.random.default_rng(3)
    for count in (4, 7, 40):
        values = rng.lognormal(size=count)
        middle, scatter = robust(values)
        assert middle == pytest.approx(float(np.median(values)))
        assert scatter == pytest.approx(float(stats.median_abs_deviation(values, scale="normal")), rel=1e-4)


def test_the_factor_is_that_of_a_normal_distribution():
    # Iglewicz and Hoaglin (1993): E(MAD) = 0.6745 sigma (from memory)
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-4) == MAD_TO_SD
