"""Hours of time above a limit and of charge: they add up to what the food clock counts; none is made up."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.food.exposure import line_parts
from services.analytics.hourly import above_each, charge_each
from services.timebase import HOUR_MS, MINUTE_MS

START_MS = 1_760_400_000_000
GAP_MS = 15.0 * MINUTE_MS
EDGES_MS = START_MS + np.arange(0, 25, dtype=np.int64) * HOUR_MS


def at_minutes(*minutes):
    return START_MS + np.array(minutes, dtype=np.int64) * MINUTE_MS


def test_a_line_over_the_full_hour_counts_in_both_hours():
    above_ms, told_ms = above_each(
        at_minutes(50, 60, 70), np.array([4.0, 6.0, 4.0]), limit_c=5.0, gap_ms=GAP_MS, edges_ms=EDGES_MS[:3]
    )
    assert (above_ms / MINUTE_MS).tolist() == [5.0, 5.0]
    assert (told_ms / MINUTE_MS).tolist() == [10.0, 10.0]


def test_a_gap_is_not_known_unless_both_ends_are_above_within_six_hours():
    t_ms = at_minutes(0, 10, 130, 140)
    warm, cold_end = np.array([6.0, 6.0, 6.0, 6.0]), np.array([6.0, 6.0, 4.0, 4.0])
    above_ms, told_ms = above_each(t_ms, warm, limit_c=5.0, gap_ms=GAP_MS, edges_ms=EDGES_MS[:4])
    assert (above_ms / MINUTE_MS).tolist() == [60.0, 60.0, 20.0] == (told_ms / MINUTE_MS).tolist()
    above_ms, told_ms = above_each(t_ms, cold_end, limit_c=5.0, gap_ms=GAP_MS, edges_ms=EDGES_MS[:4])
    assert (above_ms / MINUTE_MS).tolist() == [10.0, 0.0, 0.0]
    assert (told_ms / MINUTE_MS).tolist() == [10.0, 0.0, 10.0]


def test_charge_is_counted_either_way_and_only_where_a_current_was_measured():
    drawn, given_back, told_ms = charge_each(
        at_minutes(0, 10, 20, 130), np.array([3.0, 3.0, -3.0, 3.0]), gap_ms=GAP_MS, edges_ms=EDGES_MS[:4]
    )
    assert drawn == pytest.approx([3.0 / 6 + 3.0 / 24, 0.0, 0.0])
    assert given_back == pytest.approx([3.0 / 24, 0.0, 0.0])
    assert (told_ms / MINUTE_MS).tolist() == [20.0, 0.0, 0.0]


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_readings_tell_nothing(count):
    t_ms, values = at_minutes(*range(count)), np.full(count, 9.0)
    for found in (
        above_each(t_ms, values, limit_c=5.0, gap_ms=GAP_MS, edges_ms=EDGES_MS),
        charge_each(t_ms, values, gap_ms=GAP_MS, edges_ms=EDGES_MS),
    ):
        assert not np.any(found)


readings = st.lists(
    st.tuples(st.integers(1, 500), st.integers(-4_000, 12_000)), min_size=2, max_size=120
).map(lambda rows: (START_MS + np.cumsum([step for step, _ in rows]) * MINUTE_MS, [v for _, v in rows]))


@given(readings, st.sampled_from([-12.0, 0.0, 4.0, 4.444, 5.0, 8.0]))
@settings(max_examples=60, deadline=None)
def test_hours_add_up_to_what_the_food_clock_counts(given_readings, limit_c):
    t_ms, milli = given_readings
    value_c = np.array(milli) / 1000.0
    edges_ms = np.arange(START_MS, int(t_ms[-1]) + HOUR_MS, HOUR_MS, dtype=np.int64)
    above_ms, told_ms = above_each(t_ms, value_c, limit_c=limit_c, gap_ms=GAP_MS, edges_ms=edges_ms)
    parts = line_parts(t_ms, value_c, limit_c=limit_c, gap_ms=GAP_MS)
    total_ms, unknown_ms = (float(np.sum(p.end_ms - p.start_ms)) for p in (parts.above, parts.unknown))
    assert np.sum(above_ms) == pytest.approx(total_ms, abs=0.1)
    assert np.sum(told_ms) == pytest.approx(float(t_ms[-1] - t_ms[0]) - unknown_ms, abs=0.1)
    assert np.all(above_ms <= told_ms + 0.1)
    assert np.all(told_ms <= HOUR_MS + 0.1)


@given(readings)
@settings(max_examples=60, deadline=None)
def test_charge_of_hours_adds_up_to_the_area_under_the_lines(given_readings):
    t_ms, milli = given_readings
    amps = np.array(milli) / 1000.0
    edges_ms = np.arange(START_MS, int(t_ms[-1]) + HOUR_MS, HOUR_MS, dtype=np.int64)
    drawn, given_back, told_ms = charge_each(t_ms, amps, gap_ms=GAP_MS, edges_ms=edges_ms)
    spacing = np.diff(t_ms)
    near = spacing <= GAP_MS
    area_ah = np.sum(((amps[1:] + amps[:-1]) / 2 * spacing / HOUR_MS)[near])
    assert np.sum(drawn) - np.sum(given_back) == pytest.approx(area_ah, abs=1e-6)
    assert np.all(drawn >= 0)
    assert np.all(given_back >= 0)
    assert np.sum(told_ms) == pytest.approx(float(np.sum(spacing[near])), abs=0.1)
