import numpy as np
import pytest

from services.analytics.food.exposure import line_parts, stretch_stats
from services.analytics.food.intervals import Intervals
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS


def parts(points, *, limit_c=5.0, gap_min=1e9):
    minutes, values = zip(*points, strict=True)
    t_ms = MIDNIGHT_MS + np.array(minutes, dtype=np.int64) * MINUTE_MS
    return line_parts(t_ms, np.array(values, dtype=float), limit_c=limit_c, gap_ms=gap_min * MINUTE_MS)


def minutes(intervals):
    return float(intervals.minutes_between(-np.inf, np.inf))


def test_the_crossing_is_solved_and_not_rounded_to_a_sample():
    found = parts([(0, 4), (10, 7)]).above
    assert (found.start_ms[0] - MIDNIGHT_MS) / MINUTE_MS == pytest.approx(10 / 3)


def test_a_reading_on_the_limit_complies():
    assert minutes(parts([(0, 5), (10, 5), (20, 5)]).above) == 0


def test_touching_the_limit_for_an_instant_keeps_one_episode():
    assert len(parts([(0, 6), (10, 5), (20, 6)]).above) == 1


def test_a_gap_with_both_ends_above_counts_up_to_360_minutes():
    assert minutes(parts([(0, 6), (360, 6)], gap_min=30).above) == 360
    longer = parts([(0, 6), (361, 6)], gap_min=30)
    assert (minutes(longer.above), minutes(longer.unknown)) == (0, 361)


def test_a_gap_with_one_end_above_is_unknown():
    found = parts([(0, 4), (60, 9)], gap_min=30)
    assert (minutes(found.above), minutes(found.unknown)) == (0, 60)


def test_a_pair_exactly_as_long_as_the_gap_limit_is_known():
    assert minutes(parts([(0, 6), (30, 4)], gap_min=30).unknown) == 0


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_readings_give_no_minute(count):
    t_ms = np.arange(count, dtype=np.int64)
    found = line_parts(t_ms, np.full(count, 9.0), limit_c=5.0, gap_ms=1.0)
    assert minutes(found.above) == minutes(found.unknown) == 0


def test_the_caller_is_told_of_times_that_stand_still_and_readings_that_are_none():
    t_ms = np.array([0, 0], dtype=np.int64)
    with pytest.raises(ValueError, match="increase"):
        line_parts(t_ms, np.array([1.0, 2.0]), limit_c=5.0, gap_ms=1.0)
    with pytest.raises(ValueError, match="finite"):
        line_parts(np.array([0, 1]), np.array([1.0, np.nan]), limit_c=5.0, gap_ms=1.0)
    with pytest.raises(ValueError, match="2 times for 1"):
        line_parts(np.array([0, 1]), np.array([1.0]), limit_c=5.0, gap_ms=1.0)


def test_peak_and_mean_of_a_stretch_follow_the_line():
    t_ms = np.array([0, 10, 20], dtype=np.int64) * MINUTE_MS
    spans = Intervals(np.array([5.0 * MINUTE_MS, 0.0]), np.array([15.0 * MINUTE_MS, 5.0 * MINUTE_MS]))
    found = stretch_stats(t_ms, np.array([4.0, 8.0, 4.0]), spans)
    assert found.peak_c.tolist() == [8.0, 6.0]
    assert found.mean_c.tolist() == [7.0, 5.0]


def test_a_stretch_between_two_samples_peaks_at_its_end():
    t_ms = np.array([0, 10], dtype=np.int64) * MINUTE_MS
    spans = Intervals(np.array([2.0 * MINUTE_MS]), np.array([4.0 * MINUTE_MS]))
    found = stretch_stats(t_ms, np.array([0.0, 10.0]), spans)
    assert found.peak_c[0] == pytest.approx(4.0)
    assert found.mean_c[0] == pytest.approx(3.0)
