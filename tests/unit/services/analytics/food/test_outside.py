import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.food.batchair import NOTHING_READ
from services.analytics.food.entries import Readings
from services.analytics.food.outside import KEEPS_MS, OUT_C, around

MINUTE = 60_000


def read(*points):
    return Readings(
        np.array([m * MINUTE for m, _ in points], dtype=np.int64), np.array([float(c) for _, c in points])
    )


def at(found, *minutes):
    return found.at(np.array([m * MINUTE for m in minutes], dtype=np.int64)).tolist()


def test_air_nobody_measured_is_assumed():
    found = around(NOTHING_READ, 0, 60 * MINUTE)
    assert (at(found, 0, 60), found.assumed) == ([OUT_C, OUT_C], True)


def test_air_is_as_it_was_measured():
    found = around(read((-10, 34), (30, 36)), 0, 60 * MINUTE)
    assert (at(found, 0, 15, 30, 60), found.assumed) == ([34, 35, 36, 36], False)


def test_an_old_reading_tells_nothing_of_now_but_heat_is_remembered():
    assert at(around(read((-181, 20)), 0, 10 * MINUTE), 5) == [OUT_C]
    found = around(read((-181, 38)), 0, 10 * MINUTE)
    assert (at(found, 5), found.assumed) == ([38], True)


@pytest.mark.parametrize(("read_c", "later_c"), [(20.0, OUT_C), (38.0, 38.0)])
def test_where_readings_stop_the_air_is_assumed_after_a_while(read_c, later_c):
    keeps = KEEPS_MS // MINUTE
    found = around(read((0, read_c)), 0, 2 * KEEPS_MS)
    assert at(found, keeps, 2 * keeps) == [later_c, later_c]
    assert found.assumed
    assert not around(read((0, read_c)), 0, KEEPS_MS).assumed


@settings(max_examples=200, deadline=None)
@given(
    points=st.lists(
        st.tuples(st.integers(-300, 900), st.floats(-5, 45)), max_size=8, unique_by=lambda p: p[0]
    ).map(sorted),
    now=st.integers(0, 900),
    more=st.integers(0, 900),
)
def test_what_was_told_of_the_air_stays_told_as_time_goes_on(points, now, more):
    whole = read(*points)
    early, late = around(whole, 0, now * MINUTE), around(whole, 0, (now + more) * MINUTE)
    count = early.t_ms.size
    assert early.t_ms.tolist() == late.t_ms[:count].tolist()
    assert early.air_c.tolist() == late.air_c[:count].tolist()
    assert bool((np.diff(late.t_ms) > 0).all())
