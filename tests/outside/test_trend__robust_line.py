"""Theil-Sen slope and Mann-Kendall test against two libraries' printed answer.

Series: numpy default_rng(42), n = 90, y = 0.35 + 0.001 i + 0.03 N(0, 1). scipy 1.17.1 (theilslopes) and
pymannkendall 1.4.3 (original_test) were run on it once and agree; their answers are printed here.
"""

import numpy as np
import pytest

from services.analytics.power.trend import trend_of


@pytest.mark.outside
def test_slope_interval_and_test_agree_with_both_libraries():
    i = np.arange(90.0)
    found = trend_of(i, 0.35 + 0.001 * i + 0.03 * np.random.default_rng(42).normal(size=90))
    assert found.slope == pytest.approx(0.000943048, abs=5e-10)
    assert (found.low, found.high) == (pytest.approx(0.000773, abs=2e-6), pytest.approx(0.001148, abs=2e-6))
    assert found.s == 2197
    assert found.variance == pytest.approx(82325, abs=1)
    assert found.z == pytest.approx(7.6536, abs=1e-4)
