"""Modelled food against closed forms of Newton's law of cooling.

dT/dt = (T_air - T)/τ with steps of air has the answer T = T_air + (T_0 - T_air) e^(-t/τ); times and
peaks below are that formula solved by hand.
"""

import math

import numpy as np
import pytest

from services.analytics.food import track
from services.analytics.food.exposure import line_parts
from services.analytics.food.lags import LAGS_MIN, Memory, follow
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

pytestmark = pytest.mark.outside
NEVER_A_GAP_MS = 1e15


def stepped(*steps, end_min):
    """Return times and air of a staircase, each step within one millisecond."""
    times, air = [], []
    for minute, value_c in steps:
        if air:
            times.append(MIDNIGHT_MS + minute * MINUTE_MS - 1)
            air.append(air[-1])
        times.append(MIDNIGHT_MS + minute * MINUTE_MS)
        air.append(value_c)
    times.append(MIDNIGHT_MS + end_min * MINUTE_MS)
    return np.array(times, dtype=np.int64), np.array([*air, air[-1]], dtype=np.float64)


def warm_spell(t_ms, air_c, *, lag_min, limit_c, start_c=None, gap_ms=NEVER_A_GAP_MS):
    clock = track.start(
        (track.Line(limit_c),), lags=np.array([lag_min * 60_000.0]), gap_ms=gap_ms, start_c=start_c
    )
    return track.extend(clock, t_ms, air_c)


@pytest.mark.parametrize(("lag_min", "printed"), [(180.0, (11.6, 11.79, 489.4)), (60.0, (3.9, 17.83, 277.6))])
def test_lag_1_two_hours_of_warm_air(lag_min, printed):
    # Air 20 °C for 120 min, else 4 °C; food starts at 4 °C, limit 5 °C.
    t_ms, air_c = stepped((0, 20.0), (120, 4.0), end_min=2000)
    clock = warm_spell(t_ms, air_c, lag_min=lag_min, limit_c=5.0, start_c=4.0)
    begins = lag_min * math.log(16 / 15)
    peak_c = 20 - 16 * math.exp(-120 / lag_min)
    ends = 120 + lag_min * math.log((peak_c - 4) / 1)
    assert (round(begins, 1), round(peak_c, 2), round(ends, 1)) == printed
    (start,), (end,) = clock.above[0].start_ms, clock.above[0].end_ms
    assert math.isclose((start - MIDNIGHT_MS) / MINUTE_MS, begins, abs_tol=1e-3)
    assert math.isclose((end - MIDNIGHT_MS) / MINUTE_MS, ends, abs_tol=1e-3)
    assert math.isclose(float(clock.whole_curve.highest_c.max()), peak_c, abs_tol=1e-4)


@pytest.mark.parametrize(("minutes", "food_c", "excursion"), [(5, 4.72, False), (10, 5.40, True)])
def test_lag_2_an_open_door(minutes, food_c, excursion):
    # Air 18 °C, food 4 °C, τ 95 min (500 g test package, derived): T = 18 - 14 e^(-t/95).
    t_ms = MIDNIGHT_MS + np.arange(minutes + 1) * MINUTE_MS
    clock = warm_spell(t_ms, np.full(minutes + 1, 18.0), lag_min=95.0, limit_c=5.0, start_c=4.0)
    assert round(float(clock.whole_curve.highest_c[-1]), 2) == food_c
    assert math.isclose(
        float(clock.whole_curve.highest_c[-1]), 18 - 14 * math.exp(-minutes / 95), abs_tol=1e-9
    )
    assert bool(len(clock.above[0])) is excursion


def test_one_slow_lag_would_miss_what_the_union_sees():
    # 20 min of 13 °C air from 4 °C: food with τ 60 min is above 5 °C for 69 min (closed form).
    t_ms, air_c = stepped((0, 4.0), (30, 13.0), (50, 4.0), end_min=1000)
    clock = warm_spell(t_ms, air_c, lag_min=60.0, limit_c=5.0)
    peak_c = 13 - 9 * math.exp(-20 / 60)
    minutes = 20 - 60 * math.log(9 / 8) + 60 * math.log(peak_c - 4)
    assert round(minutes) == 69
    found = float(clock.above[0].minutes_between(-math.inf, math.inf))
    assert math.isclose(found, minutes, abs_tol=1e-3)
    assert len(warm_spell(t_ms, air_c, lag_min=600.0, limit_c=5.0).above[0]) == 0


def test_fifteen_lid_openings_give_a_thin_food_302_warm_minutes_a_day():
    # Fifteen openings of 6 min, one an hour, air 16 °C, else 3.5 °C; τ 20 min, limit 5 °C.
    steps = [(0, 3.5)]
    for opening in range(15):
        steps += [(30 + opening * 60, 16.0), (36 + opening * 60, 3.5)]
    t_ms, air_c = stepped(*steps, end_min=1440)
    clock = warm_spell(t_ms, air_c, lag_min=20.0, limit_c=5.0)
    minutes, food_c = 0.0, 3.5
    for _ in range(15):
        peak_c = 16 - (16 - food_c) * math.exp(-6 / 20)
        minutes += 6 - 20 * math.log((16 - food_c) / 11) + 20 * math.log((peak_c - 3.5) / 1.5)
        food_c = 3.5 + (peak_c - 3.5) * math.exp(-54 / 20)
    assert round(minutes) == 302
    found = float(clock.above[0].minutes_between(-math.inf, math.inf))
    assert math.isclose(found, minutes, abs_tol=1e-3)


def test_air_cycling_between_2_and_6_is_above_5_a_quarter_of_the_day():
    # A triangle from 2 to 6 °C spends (6 - 5) / (6 - 2) of its time above 5 °C: 360 min a day.
    t_ms = MIDNIGHT_MS + np.arange(0, 1441, 15) * MINUTE_MS
    air_c = np.where(np.arange(t_ms.size) % 2 == 0, 2.0, 6.0)
    parts = line_parts(t_ms, air_c, limit_c=5.0, gap_ms=NEVER_A_GAP_MS)
    assert math.isclose(float(parts.above.minutes_between(-math.inf, math.inf)), 360.0, abs_tol=1e-6)


def test_a_ramp_of_air_is_followed_exactly():
    # Air rising at r K/min from T_0: T = T_0 + r (t - τ + τ e^(-t/τ)).
    minutes = np.arange(0, 601, 7)
    t_ms = MIDNIGHT_MS + minutes * MINUTE_MS
    food = follow(
        t_ms, 2.0 + 0.01 * minutes, lags=np.array(LAGS_MIN) * 60_000.0, memory=Memory.at(np.full(7, 2.0))
    )[0]
    for row, lag in zip(food, LAGS_MIN, strict=True):
        expected = 2.0 + 0.01 * (minutes - lag + lag * np.exp(-minutes / lag))
        assert np.allclose(row, expected, atol=1e-12)


@pytest.mark.parametrize(("h_w_per_m2_k", "lag_min"), [(8.0, 95), (5.0, 152), (10.0, 76)])
def test_the_lag_of_a_test_package_follows_from_its_size(h_w_per_m2_k, lag_min):
    # 500 g package 50 x 100 x 100 mm (IEC 62552 M-package, from memory), c 3.64 kJ/(kg·K), A 0.04 m²;
    # h of still air 5 to 10 W/(m²·K) is common practice, no source.
    assert round(0.5 * 3640 / (h_w_per_m2_k * 0.04) / 60) == lag_min
    assert 95.0 in LAGS_MIN
