import numpy as np
import pytest

from services.analytics.food.lags import (
    BLOCK_PAIRS,
    LAGS_MIN,
    Memory,
    block_starts,
    follow,
    food_parts,
    lags_ms,
)
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS


def minutes(intervals):
    return float(intervals.minutes_between(-np.inf, np.inf))


def test_a_declared_load_drops_only_the_thinnest_food():
    assert (lags_ms(None) / MINUTE_MS).tolist() == list(LAGS_MIN)
    assert (lags_ms(4.9) / MINUTE_MS).tolist() == list(LAGS_MIN)
    assert (lags_ms(5.0) / MINUTE_MS).tolist() == list(LAGS_MIN[1:])


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
