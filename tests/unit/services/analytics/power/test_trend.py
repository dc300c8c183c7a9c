import numpy as np
import pytest

from services.analytics.power.trend import trend_of


def test_fewer_than_eight_values_show_no_trend():
    assert trend_of(np.arange(7.0), np.arange(7.0)) is None


def test_a_straight_line_is_its_own_trend():
    found = trend_of(np.arange(10.0), 3.0 + 0.5 * np.arange(10.0))
    assert (found.slope, found.low, found.high) == (0.5, 0.5, 0.5)
    assert found.sure


def test_a_constant_has_none_and_ties_do_not_divide_by_zero():
    found = trend_of(np.arange(12.0), np.full(12, 0.08))
    assert (found.slope, found.z) == (0.0, 0.0)
    assert not found.sure


def test_one_wild_day_does_not_bend_it():
    values = 0.08 + 0.001 * np.arange(20.0)
    values[7] = 3.0
    assert trend_of(np.arange(20.0), values).slope == pytest.approx(0.001, rel=0.05)
