import pytest

from services.analytics.food.probes import first_above_ms, minutes_above, ordered, reached_ms

MINUTE = 60_000


def rows(*points):
    return [(minute * MINUTE, core_c) for minute, core_c in points]


def test_readings_are_put_in_order_and_the_warmest_of_one_time_stands():
    assert ordered([(3, 1.0), (1, 2.0), (3, 4.0), (9, 0.0)], until_ms=5) == [(1, 2.0), (3, 4.0)]


def test_the_line_leaves_a_limit_between_two_readings():
    assert first_above_ms(rows((0, 4), (10, 6)), 5.0) == 5 * MINUTE
    assert first_above_ms(rows((0, 6)), 5.0) == 0
    assert first_above_ms(rows((0, 5), (10, 5)), 5.0) is None


def test_the_line_comes_down_to_a_limit_after_the_last_time_above_it():
    assert reached_ms(rows((0, 9), (10, 1)), 5.0) == 5 * MINUTE
    assert reached_ms(rows((0, 9), (10, 1), (20, 9), (30, 1)), 5.0) == 25 * MINUTE
    assert reached_ms(rows((0, 4), (10, 3)), 5.0) == 0
    assert reached_ms(rows((0, 9), (10, 6)), 5.0) is None
    assert reached_ms([], 5.0) is None


def test_food_stays_as_warm_as_it_was_measured_last():
    assert minutes_above(rows((0, 4), (10, 6)), 5.0, until_ms=30 * MINUTE) == pytest.approx(25)
    assert minutes_above(rows((0, 6), (10, 4)), 5.0, until_ms=30 * MINUTE) == pytest.approx(5)
    assert minutes_above([], 5.0, until_ms=30 * MINUTE) == 0
