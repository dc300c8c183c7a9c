"""What orders and explains never touches a verdict, and checks in ice never lower one."""

from datetime import timedelta
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.assess import assess, worst_between
from services.analytics.food.growth import MODELS, growth
from services.analytics.food.hazard_index import worst_index
from services.analytics.food.kinetic import mean_kinetic_of
from services.analytics.food.ranking import use_first
from services.analytics.food.spoilage import FRESH, days_at_zero
from services.analytics.sensor_checks import corrections, offsets
from services.domain import FoodClass, SensorCheck
from services.timebase import datetime_of
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, every_minute, unit

TEMPERATURE = st.floats(min_value=-25.0, max_value=45.0).map(lambda c: round(c, 2))
HISTORY = st.lists(TEMPERATURE, min_size=2, max_size=60)
CLASS = st.sampled_from(FoodClass.__args__)
CHECKS = st.lists(
    st.tuples(st.integers(0, 700), st.floats(min_value=-4.0, max_value=4.0).map(lambda c: round(c, 2))),
    max_size=6,
)


def made(readings):
    return [SensorCheck(at=datetime_of(MIDNIGHT_MS) + timedelta(minutes=m), reading_c=c) for m, c in readings]


def verdict_of(series, food_class, **options):
    settings_ = unit(classes=(food_class,), interval_s=600)
    return assess(series, settings_, as_of_ms=int(series.t_ms[-1]), **options)


@given(HISTORY, CLASS, st.booleans(), st.none() | st.integers(-3, 9))
@settings(max_examples=30, deadline=None)
def test_no_history_makes_the_order_of_use_touch_a_verdict(values, food_class, ready, days_left):
    series = every_minute(values, step_min=10)
    before = verdict_of(series, food_class)
    food_c = series.columns["cabinet_c"]
    kept = food_c.copy()
    score = use_first(
        food_class,
        series.t_ms,
        food_c,
        as_of_ms=int(series.t_ms[-1]),
        days_left=days_left,
        ready_to_eat=ready,
    ).score
    indexes = [growth(model, series.t_ms, food_c) for model in MODELS]
    indexes += [days_at_zero(FRESH, series.t_ms, food_c), worst_index(series.t_ms, food_c)[0], score]
    assert all(np.isfinite(index) and index >= 0.0 for index in indexes)
    mean_c = mean_kinetic_of(series.t_ms, food_c)
    assert mean_c is not None
    assert food_c.min() - 1e-6 <= mean_c <= food_c.max() + 1e-6
    # They read what they are given and keep nothing: the same log gives the same analysis.
    assert np.array_equal(food_c, kept)
    assert verdict_of(series, food_class) == before


@given(HISTORY, CLASS, st.floats(min_value=0.0, max_value=10.0), st.booleans())
@settings(max_examples=100, deadline=None)
def test_a_warmer_history_never_comes_later(values, food_class, warmer_k, ready):
    series = every_minute(values, step_min=10)
    food_c, as_of_ms = series.columns["cabinet_c"], int(series.t_ms[-1])
    cold, warm = (
        use_first(food_class, series.t_ms, food_c + k, as_of_ms=as_of_ms, ready_to_eat=ready).score
        for k in (0.0, warmer_k)
    )
    assert warm >= cold - 1e-9


@given(HISTORY, CLASS, CHECKS)
@settings(max_examples=25, deadline=None)
def test_no_checks_in_ice_lower_a_verdict_against_having_made_none(values, food_class, readings):
    series = every_minute(values, step_min=10)
    checks = made(readings)
    with_them, without = (verdict_of(series, food_class, checks=c) for c in (checks, ()))
    assert with_them.verdict.rank >= without.verdict.rank
    if with_them.exposure:
        assert (
            max(e.minutes_above for e in with_them.exposure)
            >= max(e.minutes_above for e in without.exposure) - 1e-6
        )
    settings_ = unit(classes=(food_class,), interval_s=600)
    span = {"from_ms": MIDNIGHT_MS, "to_ms": int(series.t_ms[-1])}
    worst = worst_between(series, settings_, **span, checks=checks)[0]
    assert worst.rank >= with_them.verdict.rank


@given(CHECKS, st.floats(min_value=-3.0, max_value=3.0))
@settings(max_examples=200, deadline=None)
def test_a_correction_never_makes_a_reading_colder_nor_reaches_past_a_good_check(readings, fixed_c):
    checks = made(readings)
    found = corrections(checks, fixed_offset_c=fixed_c)
    t_ms = MIDNIGHT_MS + np.arange(-10, 720) * MINUTE_MS
    low, high = offsets(found, t_ms)
    assert low.min() >= 0.0
    assert high.min() >= 0.0
    assert found[0].from_ms is None
    assert found[-1].to_ms is None
    assert all(a.to_ms == b.from_ms for a, b in pairwise(found))
    # One more check, a failed one at the end, never lowers what is added before it.
    more, _ = offsets(corrections([*checks, *made([(719, -2.0)])], fixed_offset_c=fixed_c), t_ms)
    assert np.all(more[:-1] >= low[:-1])
