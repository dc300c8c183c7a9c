"""Days kept at hand equal days read afresh."""

import numpy as np
import pytest

from services.monitor.window import Windows, joined
from services.telemetry import Series
from tests.helpers.house import MINUTE_MS, House, minutes, sample
from tests.helpers.made import NOON_MS


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    yield opened
    opened.close()


def same(one, other):
    assert np.array_equal(one.t_ms, other.t_ms)
    for name in one.columns.keys() | other.columns.keys():
        if name in ("supply", "fault"):
            assert list(one.texts(name)) == list(other.texts(name))
        else:
            assert np.array_equal(one.numbers(name), other.numbers(name), equal_nan=True)


def test_a_moving_window_reads_only_what_is_new(house):
    windows = Windows(house.reader)
    house.hear(minutes([3.0] * 100, end_ms=NOON_MS), at_ms=NOON_MS)
    start = NOON_MS - 50 * MINUTE_MS
    windows.read("v3-meat", start, NOON_MS + 1, touched_from_ms=None)
    assert windows.rows_read == 51
    later = NOON_MS + MINUTE_MS
    house.hear([sample(100, later, 3.5)], at_ms=later)
    series = windows.read("v3-meat", start + MINUTE_MS, later + 1, touched_from_ms=later)
    assert windows.rows_read == 52
    same(series, house.reader.read("v3-meat", start + MINUTE_MS, later + 1))


def test_late_samples_reopen_the_window_from_their_time_on(house):
    windows = Windows(house.reader)
    house.hear([sample(k, NOON_MS + k * MINUTE_MS, 3.0) for k in (0, 1, 2, 8, 9)], at_ms=NOON_MS)
    end = NOON_MS + 10 * MINUTE_MS
    windows.read("v3-meat", NOON_MS, end, touched_from_ms=None)
    house.hear([sample(k, NOON_MS + k * MINUTE_MS, None) for k in (5, 6)], at_ms=end)
    series = windows.read("v3-meat", NOON_MS, end, touched_from_ms=NOON_MS + 5 * MINUTE_MS)
    same(series, house.reader.read("v3-meat", NOON_MS, end))
    assert len(series) == 7


def test_a_window_that_starts_earlier_or_was_dropped_is_read_afresh(house):
    windows = Windows(house.reader, rows_kept=1)
    house.hear(minutes([3.0] * 10, end_ms=NOON_MS), at_ms=NOON_MS)
    windows.read("v3-meat", NOON_MS - MINUTE_MS, NOON_MS + 1, touched_from_ms=None)
    assert len(windows.read("v3-meat", NOON_MS - 9 * MINUTE_MS, NOON_MS + 1, touched_from_ms=None)) == 10
    windows.read("v3-ice", NOON_MS, NOON_MS + 1, touched_from_ms=None)
    before = windows.rows_read
    windows.read("v3-meat", NOON_MS - 9 * MINUTE_MS, NOON_MS + 1, touched_from_ms=None)
    assert windows.rows_read == before + 10
    windows.forget("v3-meat")
    windows.read("v3-meat", NOON_MS, NOON_MS + 1, touched_from_ms=None)
    assert windows.rows_read == before + 11


def test_joining_fills_up_columns_of_only_one_side():
    one = Series(np.array([1], dtype=np.int64), {"cabinet_c": np.array([3.0])})
    two = Series(np.array([2], dtype=np.int64), {"fault": np.array(["fan"], dtype=object)})
    both = joined(one, two)
    assert list(both.t_ms) == [1, 2]
    assert np.array_equal(both.numbers("cabinet_c"), [3.0, np.nan], equal_nan=True)
    assert list(both.texts("fault")) == [None, "fan"]
    assert joined(Series.empty(), two) is two
