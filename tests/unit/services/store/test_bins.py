import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.store.bins import Gathered, Grid, gathered, grid
from services.timebase import DAY_MS, HOUR_MS


def naive(t_ms, values, start_ms, end_ms, width_ms):
    rows = []
    at = start_ms
    while at < end_ms:
        held = [
            v
            for t, v in zip(t_ms, values, strict=True)
            if at <= t < min(at + width_ms, end_ms) and not np.isnan(v)
        ]
        rows.append((at, min(held, default=None), max(held, default=None), len(held)))
        at += width_ms
    return rows


def rows_of(bins):
    return [
        (t, None if np.isnan(low) else low, None if np.isnan(high) else high, n)
        for t, low, high, n in zip(
            bins.t_ms.tolist(), bins.lowest.tolist(), bins.highest.tolist(), bins.count.tolist(), strict=True
        )
    ]


def binned(t_ms, values, *, start_ms, end_ms, width_ms):
    over = Grid(start_ms, end_ms, start_ms, width_ms)
    return gathered(t_ms, values, over).bins(over.t_ms)


readings = st.lists(
    st.tuples(st.integers(0, 200), st.one_of(st.just(float("nan")), st.integers(-40, 40).map(float))),
    max_size=60,
).map(lambda rows: sorted(rows, key=lambda row: row[0]))


@given(rows=readings, start=st.integers(-20, 120), length=st.integers(0, 150), width=st.integers(1, 70))
def test_bins_equal_those_counted_one_by_one(rows, start, length, width):
    t = np.array([row[0] for row in rows], dtype=np.int64)
    v = np.array([row[1] for row in rows], dtype=np.float64)
    found = binned(t, v, start_ms=start, end_ms=start + length, width_ms=width)
    assert rows_of(found) == naive(t, v, start, start + length, width)


def test_the_start_is_included_and_the_end_is_not():
    t = np.array([10, 20, 30], dtype=np.int64)
    found = binned(t, np.array([1.0, 2.0, 3.0]), start_ms=10, end_ms=30, width_ms=20)
    assert rows_of(found) == [(10, 1.0, 2.0, 2)]


def test_a_single_peak_among_thousands_survives():
    t = np.arange(100_000, dtype=np.int64)
    v = np.full(100_000, 3.0)
    v[54_321] = 19.5
    over = grid(0, 100_000, 50)
    found = gathered(t, v, over).bins(over.t_ms)
    assert found.highest.max() == 19.5
    assert len(found.t_ms) == 50


def test_an_outage_stays_a_gap():
    t = np.array([0, 1, 2, 97, 98, 99], dtype=np.int64)
    found = binned(t, np.ones(6), start_ms=0, end_ms=100, width_ms=10)
    assert found.count.tolist() == [3, 0, 0, 0, 0, 0, 0, 0, 0, 3]
    assert np.isnan(found.lowest[1:9]).all()
    assert np.isnan(found.mean[1:9]).all()
    assert found.mean[0] == 1.0


@pytest.mark.parametrize(("span", "most", "width"), [(100, 10, 10), (101, 10, 11), (5, 10, 1), (0, 10, 1)])
def test_never_more_bins_than_asked_for(span, most, width):
    over = grid(7, 7 + span, most)
    assert over.width_ms == width
    assert over.bins <= most


@given(start=st.integers(0, 3 * DAY_MS), length=st.integers(1, 800 * DAY_MS), most=st.integers(1, 3000))
def test_long_bins_are_whole_hours_on_the_hour_and_cover_the_span(start, length, most):
    over = grid(start, start + length, most)
    assert over.bins <= most
    assert over.first_ms <= start
    assert over.t_ms[-1] < start + length <= over.t_ms[-1] + over.width_ms
    if over.width_ms > HOUR_MS // 2:
        assert over.first_ms % HOUR_MS == over.width_ms % HOUR_MS == 0
        assert start - over.first_ms < HOUR_MS


@given(rows=readings, factor=st.integers(1, 5))
def test_wide_bins_gathered_from_narrow_ones_are_the_same(rows, factor):
    t = np.array([row[0] for row in rows], dtype=np.int64)
    v = np.array([row[1] for row in rows], dtype=np.float64)
    narrow, wide = Grid(0, 201, 0, 10), Grid(0, 201, 0, 10 * factor)
    pieces = Gathered.nothing(narrow.bins)
    pieces.put(0, gathered(t[t < 90], v[t < 90], narrow))
    pieces.put(9, gathered(t, v, Grid(90, 201, 90, 10)))
    assert rows_of(pieces.coarser(factor).bins(wide.t_ms)) == rows_of(gathered(t, v, wide).bins(wide.t_ms))
