import numpy as np
import pytest

from services.analytics.power.ambient import ambient_of, duty_ratio, round_the_clock, spread_k
from services.analytics.power.frame import frame_of
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.made_supply import Story, settings_for


def frame(air, days=3):
    t_ms = np.arange(0, days * DAY_MS, 300_000, dtype=np.int64)
    values = np.array([air(t / HOUR_MS) for t in t_ms], dtype=float)
    series = Series(t_ms, {"compressor_on": np.zeros(t_ms.shape), "ambient_c": values})
    return frame_of(series, settings_for(Story()), None), int(t_ms[-1])


def test_a_day_that_repeats_is_expected_again():
    air = lambda hour: 25.0 + 8.0 * np.sin(2 * np.pi * (hour - 9.0) / 24.0)  # noqa: E731
    seen, end = frame(air)
    found = ambient_of(seen, as_of_ms=end)
    hours = np.arange(24.0) + 0.5
    expected = [air((end / HOUR_MS + h) // 1 + 0.5) for h in hours]
    assert found.ahead_c(end, hours) == pytest.approx(expected, abs=0.6)


def test_a_warm_day_goes_on_and_fades():
    seen, end = frame(lambda hour: 25.0 + (6.0 if hour >= 48 else 0.0))
    found = ambient_of(seen, as_of_ms=end)
    assert found.off_k == pytest.approx(4.0, abs=0.1)  # against the mean that day is part of
    soon, late = found.ahead_c(end, np.array([1.0, 160.0]))
    assert soon > late + 3.0
    assert late == pytest.approx(27.0, abs=0.2)


def test_hours_never_measured_lie_between_their_neighbours():
    by_hour = np.full(24, np.nan)
    by_hour[[0, 12]] = [10.0, 20.0]
    filled = round_the_clock(by_hour)
    assert filled[6] == pytest.approx(15.0)
    assert filled[18] == pytest.approx(15.0)


def test_too_few_hours_are_no_ambient():
    seen, _ = frame(lambda hour: 25.0 if hour < 4 else np.nan, days=1)
    assert ambient_of(seen, as_of_ms=DAY_MS) is None


def test_duty_grows_with_the_air_and_is_one_in_the_same_air():
    air = np.array([20.0, 30.0, 40.0])
    ratio = duty_ratio(air, np.full(3, 30.0), 3.0)
    assert ratio[1] == pytest.approx(1.0)
    assert ratio[0] < 0.8
    assert ratio[2] > 1.35


def test_the_air_is_surer_now_than_in_three_days():
    assert spread_k(np.array([0.0, 24.0, 72.0])) == pytest.approx([0.0, 1.72, 1.98], abs=0.02)
