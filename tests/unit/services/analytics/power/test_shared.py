import numpy as np
import pytest

from services.analytics.power.shared import hourly_current, joined
from services.timebase import HOUR_MS


def test_the_charge_of_an_hour_is_its_mean_current():
    t_ms = np.arange(0, 2 * HOUR_MS, 60_000, dtype=np.int64)
    held = np.full(t_ms.shape, 60_000, dtype=np.int64)
    amps = np.where(t_ms < HOUR_MS, np.where(t_ms // 60_000 % 4 == 0, 4.0, 0.0), 2.0)
    hours, mean, seen = hourly_current(t_ms, held, amps)
    assert hours.tolist() == [0, HOUR_MS]
    assert mean == pytest.approx([1.0, 2.0])
    assert seen.tolist() == [HOUR_MS, HOUR_MS]


def test_hours_without_samples_are_left_out():
    hours, _, _ = hourly_current(
        np.array([0, 5 * HOUR_MS], dtype=np.int64), np.array([60_000, 60_000]), np.array([1.0, 1.0])
    )
    assert hours.tolist() == [0, 5 * HOUR_MS]
    assert hourly_current(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))[0].size == 0


def test_several_units_add_up_and_missing_hours_take_the_usual_of_the_hour():
    day = np.arange(48, dtype=np.int64) * HOUR_MS
    one = np.where(day // HOUR_MS % 24 < 6, 3.0, 1.0)
    gap = np.delete(np.arange(48), 26)  # the second day's 02:00 is missing
    load = joined([(day, one), (day[gap], one[gap])])
    assert load.units == 2
    assert load.at(day) == pytest.approx(2.0 * one)
    assert load.at(np.array([100 * HOUR_MS])) == pytest.approx(load.by_hour_a[[4]])


def test_nobody_else_is_nothing():
    assert joined([]) is None
    assert joined([(np.empty(0, np.int64), np.empty(0))]) is None


def test_a_unit_switched_on_after_days_off_is_expected_to_go_on_drawing():
    hours = np.arange(7 * 24, dtype=np.int64) * HOUR_MS
    amps = np.where(hours >= 6 * 24 * HOUR_MS, 2.0, 0.0)
    load = joined([(hours, amps)])
    assert float(np.mean(load.amps_ahead(int(hours[-1]), np.arange(24.0)))) == pytest.approx(2.0)
