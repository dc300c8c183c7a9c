import numpy as np

from services.analytics.food.intervals import Intervals

MINUTE = 60_000.0


def of(*pairs):
    return Intervals.of(
        np.array([a * MINUTE for a, _ in pairs], dtype=float),
        np.array([b * MINUTE for _, b in pairs], dtype=float),
    )


def pairs(intervals):
    return [(a / MINUTE, b / MINUTE) for a, b in zip(intervals.start_ms, intervals.end_ms, strict=True)]


def test_overlapping_and_touching_stretches_become_one_and_empty_ones_go():
    assert pairs(of((5, 9), (0, 2), (2, 3), (6, 7), (12, 12))) == [(0, 3), (5, 9)]


def test_minutes_between_counts_only_what_lies_inside():
    found = of((0, 10), (20, 30))
    assert found.minutes_between(5 * MINUTE, 25 * MINUTE) == 10
    assert found.minutes_between(12 * MINUTE, 18 * MINUTE) == 0
    assert found.minutes_between(-np.inf, np.inf) == 20
    many = found.minutes_between(np.array([0.0, 21 * MINUTE]), np.array([MINUTE, 22 * MINUTE]))
    assert many.tolist() == [1, 1]


def test_nothing_holds_no_minute():
    assert Intervals.empty().minutes_between(0.0, 1e15) == 0
    assert len(of((3, 3))) == 0


def test_without_takes_the_other_set_away():
    assert pairs(of((0, 10), (20, 30)).without(of((5, 22), (25, 26)))) == [(0, 5), (22, 25), (26, 30)]
    whole = of((0, 10))
    assert whole.without(Intervals.empty()) is whole


def test_clipped_keeps_what_lies_inside():
    assert pairs(of((0, 10), (20, 30)).clipped(5 * MINUTE, 20 * MINUTE)) == [(5, 10)]


def test_joined_bridges_a_stretch_that_goes_on():
    assert pairs(of((0, 10)).joined(of((10, 12)))) == [(0, 12)]
    assert pairs(Intervals.empty().joined(of((10, 12)))) == [(10, 12)]


def test_since_drops_only_what_ended_before():
    assert pairs(of((0, 10), (20, 30), (40, 50)).since(25 * MINUTE)) == [(20, 30), (40, 50)]
