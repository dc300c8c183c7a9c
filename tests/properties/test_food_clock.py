"""What must hold of the food clock for any log."""

import math
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.assess import assess, worst_between
from services.analytics.food import track
from services.analytics.food.exposure import line_parts
from services.analytics.food.lags import LAGS_MIN, lags_ms
from services.analytics.quality import merged
from services.telemetry import Series
from services.timebase import DAY_MS
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, unit
from tests.helpers.oracle_food import food_minutes, line_minutes

ALWAYS = 1e15
LIMIT_C = 5.0
spacings_s = st.one_of(
    st.integers(1, 300),
    st.integers(300, 3600),
    st.integers(3600, 30 * 3600),
)
temperatures_milli = st.one_of(st.integers(3000, 7000), st.integers(-25_000, 45_000), st.just(5000))


@st.composite
def logs(draw, *, most=60):
    pairs = draw(st.lists(st.tuples(spacings_s, temperatures_milli), min_size=2, max_size=most))
    spacing, values = zip(*pairs, strict=True)
    t_ms = MIDNIGHT_MS + np.cumsum(np.array(spacing, dtype=np.int64)) * 1000
    return t_ms, np.array(values) / 1000.0


def clock_over(t_ms, air_c, *, limits=(LIMIT_C,), gap_min=30.0, lags=None, frozen=False):
    lines = tuple(track.Line(limit) for limit in limits)
    lags = lags_ms(None) if lags is None else lags
    fresh = track.start(lines, lags=lags, gap_ms=gap_min * MINUTE_MS, frozen=frozen)
    return track.extend(fresh, t_ms, air_c)


def minutes_of(intervals):
    return float(intervals.minutes_between(-ALWAYS, ALWAYS))


def same(left, right):
    return all(
        np.array_equal(a.start_ms, b.start_ms) and np.array_equal(a.end_ms, b.end_ms)
        for a, b in zip((*left.above, *left.unknown), (*right.above, *right.unknown), strict=True)
    )


@settings(deadline=None, max_examples=150)
@given(logs(), st.floats(5, 120), st.integers(0, 48 * 60))
def test_modelled_minutes_are_those_of_the_row_by_row_oracle(log, gap_min, later_min):
    t_ms, air_c = log
    as_of_ms = int(t_ms[-1]) + later_min * MINUTE_MS
    from_ms = as_of_ms - 72 * 60 * MINUTE_MS
    found = track.summary(clock_over(t_ms, air_c, gap_min=gap_min), from_ms=from_ms, as_of_ms=as_of_ms)
    above, unknown = food_minutes(
        list(zip(t_ms.tolist(), air_c.tolist(), strict=True)),
        limit_c=LIMIT_C,
        gap_min=gap_min,
        as_of_ms=as_of_ms,
        from_ms=from_ms,
    )
    assert math.isclose(found.minutes_above, above, abs_tol=1e-5)
    assert math.isclose(found.minutes_unknown, unknown, abs_tol=1e-6)


@settings(deadline=None, max_examples=100)
@given(logs(), st.floats(5, 120))
def test_straight_line_minutes_are_those_of_the_row_by_row_oracle(log, gap_min):
    t_ms, air_c = log
    parts = line_parts(t_ms, air_c, limit_c=LIMIT_C, gap_ms=gap_min * MINUTE_MS)
    above, unknown = line_minutes(
        list(zip(t_ms.tolist(), air_c.tolist(), strict=True)), limit_c=LIMIT_C, gap_min=gap_min
    )
    assert math.isclose(minutes_of(parts.above), above, abs_tol=1e-6)
    assert math.isclose(minutes_of(parts.unknown), unknown, abs_tol=1e-6)


@settings(deadline=None, max_examples=60)
@given(logs(most=120), st.lists(st.integers(1, 120), max_size=8))
def test_a_stream_cut_anywhere_gives_the_batch_to_the_last_bit(log, cuts):
    t_ms, air_c = log
    streamed = clock_over(t_ms[:0], air_c[:0], limits=(4.0, LIMIT_C))
    edges = sorted({0, t_ms.size, *(min(c, t_ms.size) for c in cuts)})
    for start, stop in pairwise(edges):
        streamed = track.extend(streamed, t_ms[start:stop], air_c[start:stop])
    batch = clock_over(t_ms, air_c, limits=(4.0, LIMIT_C))
    assert same(streamed, batch)
    assert np.array_equal(streamed.whole_curve.highest_c, batch.whole_curve.highest_c)
    assert np.array_equal(streamed.memory.now_c, batch.memory.now_c)


@settings(deadline=None, max_examples=40)
@given(logs(most=120), st.lists(st.integers(1, 120), max_size=8))
def test_a_freezers_stream_cut_anywhere_gives_the_batch_to_the_last_bit(log, cuts):
    t_ms, air_c = log
    limits = (-12.0, -5.0, LIMIT_C)
    streamed = clock_over(t_ms[:0], air_c[:0], limits=limits, frozen=True)
    edges = sorted({0, t_ms.size, *(min(c, t_ms.size) for c in cuts)})
    for start, stop in pairwise(edges):
        streamed = track.extend(streamed, t_ms[start:stop], air_c[start:stop])
    batch = clock_over(t_ms, air_c, limits=limits, frozen=True)
    assert same(streamed, batch)
    assert np.array_equal(streamed.whole_curve.highest_c, batch.whole_curve.highest_c)
    assert np.array_equal(streamed.memory.now_c, batch.memory.now_c)


@settings(deadline=None, max_examples=30)
@given(logs(most=80))
def test_one_sample_at_a_time_gives_the_batch_to_the_last_bit(log):
    t_ms, air_c = log
    streamed = clock_over(t_ms[:0], air_c[:0])
    for k in range(t_ms.size):
        streamed = track.extend(streamed, t_ms[k : k + 1], air_c[k : k + 1])
    assert same(streamed, clock_over(t_ms, air_c))


@settings(deadline=None, max_examples=40)
@given(logs(), st.randoms(use_true_random=False))
def test_order_of_arrival_and_duplicates_change_nothing(log, rng):
    t_ms, air_c = log
    rows = list(zip(t_ms.tolist(), air_c.tolist(), strict=True))
    again = rows + rng.sample(rows, k=min(10, len(rows)))
    rng.shuffle(again)
    again.sort(key=lambda row: row[0])
    shuffled = Series(np.array([r[0] for r in again]), {"cabinet_c": np.array([r[1] for r in again])})
    plain = Series(t_ms, {"cabinet_c": air_c})
    as_of_ms = int(t_ms[-1])
    fridge = unit(classes=("cooked",), interval_s=600)
    assert merged(shuffled)[1] == ()
    left, right = (assess(s, fridge, as_of_ms=as_of_ms) for s in (plain, shuffled))
    assert left == right


@settings(deadline=None, max_examples=30)
@given(logs(), st.integers(-400, 400))
def test_a_shift_by_whole_days_changes_no_minute(log, days):
    t_ms, air_c = log
    fridge = unit(classes=("cooked",), interval_s=600)
    found = []
    for shift in (0, days * DAY_MS):
        series = Series(t_ms + shift, {"cabinet_c": air_c})
        analysis = assess(series, fridge, as_of_ms=int(series.t_ms[-1]))
        found.append([(e.minutes_above, e.minutes_unknown) for e in analysis.exposure])
    assert np.allclose(found[0], found[1], atol=1e-5)


@settings(deadline=None, max_examples=30)
@given(logs())
def test_rows_in_which_the_cabinet_was_not_measured_change_no_minute(log):
    t_ms, air_c = log
    fridge = unit(classes=("cooked",), interval_s=600)
    between = t_ms[:-1] + np.diff(t_ms) // 2
    times = np.concatenate((t_ms, between))
    values = np.concatenate((air_c, np.full(between.size, np.nan)))
    order = np.argsort(times)
    holed = Series(times[order], {"cabinet_c": values[order]})
    left, right = (
        assess(s, fridge, as_of_ms=int(t_ms[-1])).exposure
        for s in (Series(t_ms, {"cabinet_c": air_c}), holed)
    )
    assert left == right


@settings(deadline=None, max_examples=60)
@given(logs(), st.floats(-10, 30))
def test_parts_add_up_and_a_lower_limit_is_never_passed_for_less(log, limit_c):
    t_ms, air_c = log
    low, high = clock_over(t_ms, air_c, limits=(limit_c, limit_c + 1.5)).above
    unknown_low, unknown_high = clock_over(t_ms, air_c, limits=(limit_c, limit_c + 1.5)).unknown
    span = (t_ms[-1] - t_ms[0]) / MINUTE_MS
    assert minutes_of(low) + minutes_of(unknown_low) <= span + 1e-6
    assert minutes_of(high) <= minutes_of(low) + 1e-6
    assert minutes_of(high) + minutes_of(unknown_high) <= minutes_of(low) + minutes_of(unknown_low) + 1e-6
    middle = float(t_ms[0]) + (t_ms[-1] - t_ms[0]) / 3
    split = low.minutes_between(-ALWAYS, middle) + low.minutes_between(middle, ALWAYS)
    assert math.isclose(float(split), minutes_of(low), abs_tol=1e-6)


@settings(deadline=None, max_examples=40)
@given(logs())
def test_the_union_is_never_shorter_than_any_one_lag(log):
    t_ms, air_c = log
    union = minutes_of(clock_over(t_ms, air_c).above[0])
    for lag in LAGS_MIN:
        alone = clock_over(t_ms, air_c, lags=np.array([lag * MINUTE_MS]))
        assert minutes_of(alone.above[0]) <= union + 1e-6


@settings(deadline=None, max_examples=40)
@given(logs(most=25), st.data())
def test_no_as_of_time_is_worse_than_the_worst_between(log, data):
    t_ms, air_c = log
    fridge = unit(classes=("cooked",), interval_s=600)
    series = Series(t_ms, {"cabinet_c": air_c})
    from_ms = int(data.draw(st.integers(int(t_ms[0]), int(t_ms[-1]))))
    to_ms = int(data.draw(st.integers(from_ms, int(t_ms[-1]) + 6 * 3_600_000)))
    verdict, at_ms, _ = worst_between(series, fridge, from_ms=from_ms, to_ms=to_ms)
    assert from_ms <= at_ms <= to_ms
    assert assess(series, fridge, as_of_ms=at_ms).verdict is verdict
    for as_of_ms in data.draw(st.lists(st.integers(from_ms, to_ms), max_size=6)):
        assert assess(series, fridge, as_of_ms=as_of_ms).verdict.rank <= verdict.rank
