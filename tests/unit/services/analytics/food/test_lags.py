import numpy as np
import pytest
from scipy.optimize import brentq

from services.analytics.food.lags import (
    BLOCK_PAIRS,
    LAGS_MIN,
    Memory,
    block_starts,
    chord_parts,
    follow,
    food_parts,
    lags_for,
    lags_ms,
    slowest_lag_min,
)
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS


def minutes(intervals):
    return float(intervals.minutes_between(-np.inf, np.inf))


def in_minutes(lags):
    return [round(lag, 6) for lag in (lags / MINUTE_MS).tolist()]


def test_a_declared_load_drops_the_thinnest_food_and_what_is_larger_than_itself():
    assert in_minutes(lags_ms(None)) == list(LAGS_MIN)
    assert in_minutes(lags_ms(14.0)) == list(LAGS_MIN[1:])
    assert in_minutes(lags_ms(60.0)) == [*LAGS_MIN[1:], 1000.0]
    assert in_minutes(lags_ms(3.0))[:6] == list(LAGS_MIN[:6])
    assert in_minutes(lags_ms(3.0))[-1] == pytest.approx(slowest_lag_min(3.0))
    assert slowest_lag_min(3.0) < 600.0


def test_a_declared_piece_bounds_the_slow_end_and_leaves_the_fast_one():
    small, large = in_minutes(lags_for(0.25)), in_minutes(lags_for(20.0, load_kg=20.0))
    assert small[:4] == [10.0, 20.0, 45.0, 95.0]
    assert small[-1] == pytest.approx(slowest_lag_min(0.25))
    assert large[0] == 20.0
    assert large[-1] == pytest.approx(slowest_lag_min(20.0))
    assert large[-1] > 600.0
    assert np.all(np.diff(small) > 0)
    assert np.all(np.diff(large) > 0)


def test_the_core_of_a_ball_lags_as_its_heat_conduction_says():
    # In a tiny piece the air film is all there is: m c / (h A). Inside, the first root of 1 - z cot z = Bi,
    # solved by another root finder for 2.5 kg.
    radius = (3 * 1e-6 / 1050 / (4 * np.pi)) ** (1 / 3)
    assert slowest_lag_min(1e-6) == pytest.approx(1050 * 3640 * radius / 3 / 5 / 60, rel=1e-2)
    radius = (3 * 2.5 / 1050 / (4 * np.pi)) ** (1 / 3)
    z = root_of(lambda x: 1 - x / np.tan(x) - 5 * radius / 0.48, 1e-6, 3.14)
    assert slowest_lag_min(2.5) == pytest.approx(radius**2 * 1050 * 3640 / 0.48 / z**2 / 60, rel=1e-9)
    assert slowest_lag_min(2.5) == pytest.approx(416.7, abs=0.1)


def root_of(function, low, high):
    return float(brentq(function, low, high))


def test_blocks_begin_every_32_pairs_and_around_long_ones():
    t_ms = np.arange(101, dtype=np.int64) * MINUTE_MS
    t_ms[41:] += 100 * MINUTE_MS
    assert block_starts(t_ms).tolist() == [0, 32, 40, 41, 73]
    assert BLOCK_PAIRS == 32


def test_unrolled_blocks_follow_the_plain_recursion():
    rng = np.random.default_rng(3)
    t_ms = MIDNIGHT_MS + np.cumsum(rng.integers(1_000, 40 * MINUTE_MS, 500))
    t_ms[200:] += 9 * 24 * 60 * MINUTE_MS
    air_c = rng.normal(4, 6, 500)
    lags = np.array(LAGS_MIN) * MINUTE_MS
    found = follow(t_ms, air_c, lags=lags, memory=Memory.at(np.full(7, 2.0)))[0]
    food = np.full(7, 2.0)
    for k in range(499):
        u = (t_ms[k + 1] - t_ms[k]) / lags
        a = np.exp(-u)
        food = a * food + air_c[k + 1] - a * air_c[k] - (air_c[k + 1] - air_c[k]) * (1 - a) / u
        assert np.allclose(found[:, k + 1], food, atol=1e-10)


def test_food_in_air_on_the_limit_is_never_counted_by_rounding():
    t_ms = MIDNIGHT_MS + np.arange(1000, dtype=np.int64) * MINUTE_MS
    air_c = np.full(1000, 4.1)
    lags = lags_ms(None)
    food = follow(t_ms, air_c, lags=lags, memory=Memory.at(np.full(7, 4.1)))[0]
    parts = food_parts(t_ms, air_c, food, lags=lags, limit_c=4.1, gap_ms=3.0 * MINUTE_MS)
    assert minutes(parts.above) == 0


@pytest.mark.parametrize(("air", "above"), [((20.0, -10.0), True), ((5.4, 4.0), False)])
def test_food_that_peaks_between_two_samples_is_seen(air, above):
    # Both ends under 5 °C; only the exact curve between them shows whether the food passed it.
    t_ms = MIDNIGHT_MS + np.array([0, 60], dtype=np.int64) * MINUTE_MS
    lags = np.array([20.0 * MINUTE_MS])
    air_c = np.array(air)
    food = follow(t_ms, air_c, lags=lags, memory=Memory.at(np.array([4.0])))[0]
    assert food[0, 1] < 5.0
    parts = food_parts(t_ms, air_c, food, lags=lags, limit_c=5.0, gap_ms=90.0 * MINUTE_MS)
    fine = np.linspace(0, 60, 60_001)
    slope = (air[1] - air[0]) / 60
    curve = air[0] + slope * (fine - 20) + (4.0 - air[0] + slope * 20) * np.exp(-fine / 20)
    assert minutes(parts.above) == pytest.approx(float(np.mean(curve > 5.0)) * 60, abs=0.01)
    assert (minutes(parts.above) > 0) is above


def test_food_that_dips_between_two_samples_is_not_counted_through():
    t_ms = MIDNIGHT_MS + np.array([0, 80], dtype=np.int64) * MINUTE_MS
    lags = np.array([20.0 * MINUTE_MS])
    air_c = np.array([-20.0, 30.0])
    food = follow(t_ms, air_c, lags=lags, memory=Memory.at(np.array([6.0])))[0]
    assert food[0, 1] > 5.0
    parts = food_parts(t_ms, air_c, food, lags=lags, limit_c=5.0, gap_ms=90.0 * MINUTE_MS)
    assert len(parts.above) == 2
    assert 0 < minutes(parts.above) < 80


def test_a_gap_counts_when_one_food_is_above_at_both_ends():
    t_ms = MIDNIGHT_MS + np.array([0, 120], dtype=np.int64) * MINUTE_MS
    lags = np.array([10.0, 600.0]) * MINUTE_MS
    air_c = np.array([3.0, 3.0])
    food = follow(t_ms, air_c, lags=lags, memory=Memory.at(np.array([12.0, 12.0])))[0]
    parts = food_parts(t_ms, air_c, food, lags=lags, limit_c=5.0, gap_ms=3.0 * MINUTE_MS)
    assert minutes(parts.above) == 120
    quick = food_parts(t_ms, air_c, food[:1], lags=lags[:1], limit_c=5.0, gap_ms=3.0 * MINUTE_MS)
    assert (minutes(quick.above), minutes(quick.unknown)) == (0, 120)


def test_straight_lines_between_close_points_give_the_union_of_foods():
    t_ms = MIDNIGHT_MS + np.array([0, 1, 2, 3], dtype=np.int64) * MINUTE_MS
    food_c = np.array([[-13.0, -11.0, -13.0, -13.0], [-13.0, -13.0, -11.0, -11.0]])
    parts = chord_parts(t_ms, food_c, limit_c=-12.0, gap_ms=3.0 * MINUTE_MS)
    assert minutes(parts.above) == pytest.approx(2.5, abs=1e-5)
    assert not len(parts.unknown)


def test_a_long_pair_of_such_points_is_a_gap_all_the_same():
    t_ms = MIDNIGHT_MS + np.array([0, 120], dtype=np.int64) * MINUTE_MS
    both = chord_parts(t_ms, np.array([[-10.0, -10.0]]), limit_c=-12.0, gap_ms=3.0 * MINUTE_MS)
    one = chord_parts(t_ms, np.array([[-10.0, -13.0]]), limit_c=-12.0, gap_ms=3.0 * MINUTE_MS)
    assert (minutes(both.above), minutes(both.unknown)) == (120, 0)
    assert (minutes(one.above), minutes(one.unknown)) == (0, 120)
