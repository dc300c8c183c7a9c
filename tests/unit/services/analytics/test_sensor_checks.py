from datetime import timedelta

import numpy as np

from services.analytics.sensor_checks import corrections, failed, offsets, passes, seen_by, words
from services.domain import SensorCheck
from services.timebase import datetime_of
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS


def check(reading_c, minute, channel="cabinet"):
    return SensorCheck(
        at=datetime_of(MIDNIGHT_MS) + timedelta(minutes=minute), reading_c=reading_c, channel=channel
    )


def at(minute):
    return MIDNIGHT_MS + minute * MINUTE_MS


def lows(*checks, fixed=0.0):
    return [(c.from_ms, c.offset_k, c.failed) for c in corrections(checks, fixed_offset_c=fixed)]


def test_one_degree_either_way_still_passes():
    assert [passes(check(c, 0)) for c in (-1.001, -1.0, 0.0, 1.0, 1.001)] == [False, True, True, True, False]


def test_without_checks_the_fixed_offset_stands_for_all_time():
    assert lows(fixed=-0.8) == [(None, 0.8, False)]
    (high,) = corrections((), fixed_offset_c=0.8)
    assert (high.offset_k, high.high_k) == (0.0, 0.8)


def test_a_passing_check_stores_its_offset_from_then_on():
    assert lows(check(-0.4, 10), fixed=-0.8) == [(None, 0.8, False), (at(10), 0.4, False)]


def test_a_failed_check_reaches_back_to_the_last_good_one_and_on_to_the_next():
    found = lows(check(0.0, 10), check(-1.2, 20), check(-0.1, 30), fixed=-0.3)
    assert found == [
        (None, 0.3, False),
        (at(10), 1.2, True),
        (at(20), 1.2, True),
        (at(30), 0.1, False),
    ]


def test_a_failed_check_without_a_good_one_before_reaches_back_to_the_beginning():
    assert lows(check(-1.5, 20)) == [(None, 1.5, True), (at(20), 1.5, True)]


def test_of_several_failed_checks_the_lowest_reading_counts():
    found = lows(check(0.0, 0), check(-2.0, 20), check(-1.2, 30))
    assert [k for _, k, _ in found] == [0.0, 2.0, 2.0, 1.2]


def test_low_is_put_right_even_where_a_later_check_reads_high():
    before, between, after = corrections([check(-0.6, 0), check(1.4, 20)])
    assert not before.failed
    assert (between.offset_k, between.high_k, between.failed) == (0.6, 1.4, True)
    assert (after.offset_k, after.high_k) == (0.0, 1.4)


def test_order_of_arrival_and_other_channels_change_nothing():
    checks = [check(-1.2, 20), check(0.0, 10)]
    assert corrections(checks) == corrections(checks[::-1])
    assert corrections([*checks, check(-5.0, 15, "product")]) == corrections(checks)
    assert corrections(checks, channel="product") == corrections(())


def test_checks_of_one_moment_leave_no_empty_stretch():
    found = corrections([check(0.5, 10), check(-0.5, 10)])
    assert [(c.from_ms, c.to_ms) for c in found] == [(None, at(10)), (at(10), None)]


def test_offsets_lie_on_the_readings_from_the_check_on():
    t_ms = np.array([at(m) for m in (0, 9, 10, 11)])
    low, high = offsets(corrections([check(-0.4, 10)], fixed_offset_c=0.8), t_ms)
    assert low.tolist() == [0.0, 0.0, 0.4, 0.4]
    assert high.tolist() == [0.8, 0.8, 0.0, 0.0]


def test_only_what_touches_the_readings_is_told():
    found = corrections([check(-0.4, 10), check(-0.5, 20)])
    assert len(seen_by(found, np.array([at(12), at(15)]))) == 1
    assert len(seen_by(found, np.empty(0, dtype=np.int64))) == 3


def test_failed_stretches_are_joined_and_end_with_the_next_good_check():
    t_ms = np.array([at(0), at(100)])
    found = corrections([check(0.0, 10), check(-1.2, 20), check(0.1, 30), check(0.0, 40), check(2.0, 50)])
    assert failed(found, t_ms) == ((at(10), at(30), False), (at(40), at(100), True))
    assert failed(found, np.empty(0, dtype=np.int64)) == ()


def test_words_name_what_was_done_and_what_was_not():
    told = words(corrections([check(0.0, 0), check(-1.2, 20)]), channel="cabinet", freezer=True)
    assert told[0].startswith("the cabinet sensor failed its check in melting ice, reads 1.2 K low: added")
    assert "minutes recomputed" in told[0]
    assert "not in boiling water: at 1500 m that is 95.0 °C" in told[-2]
    assert "-18 °C" in told[-1]
    (high,) = words(corrections((), fixed_offset_c=0.5), channel="product", freezer=False)
    assert high == "the product sensor reads 0.5 K high: not taken off"
    assert words(corrections(()), channel="cabinet", freezer=True) == ()


def test_neighbours_that_say_the_same_are_told_as_one():
    told = words(
        corrections([check(0.0, 0), check(-1.2, 20), check(0.0, 40)]), channel="cabinet", freezer=False
    )
    assert told[0].endswith("from 2025-10-10T00:00:00Z until 2025-10-10T00:40:00Z, minutes recomputed")
    assert len(told) == 2
