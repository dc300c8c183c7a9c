"""The way of a batch as air around its food."""

import numpy as np
import pytest

from services.analytics.food.batchpath import OUT_C, follow, path_of
from services.analytics.food.lags import lags_for
from services.analytics.food.track import Line
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life, settings, steady


def way(story, airs, minute):
    return path_of(story, airs, as_of_ms=NOON_MS + round(minute * MINUTE))


def total(intervals):
    return float(intervals.minutes_between(-1e15, 1e15))


def test_the_air_at_the_ends_of_a_stay_is_on_the_line_between_readings():
    box = air([-1.0, 1.0, 3.0], [2.0, 4.0, 6.0])
    path = way(life((2, "moved", {"unit": "box-b"})), {"box-a": box}, 3)
    (segment,) = path.segments
    minutes = (segment.t_ms - NOON_MS) / MINUTE
    assert minutes == pytest.approx([0.0, 1.0, 2.0], abs=1e-3)
    assert segment.air_c == pytest.approx([3.0, 4.0, 5.0], abs=1e-3)


def test_a_cabinet_nobody_knows_is_dark():
    path = way(life((10, "moved", {"unit": "box-b"})), {"box-a": steady(60, 3.0)}, 60)
    assert total(path.dark) == pytest.approx(50.0)


def test_a_stay_without_a_reading_near_is_dark_until_the_first():
    path = way(life(), {"box-a": air([20.0, 21.0, 22.0], [3.0, 3.1, 3.0])}, 22)
    assert total(path.dark) == pytest.approx(20.0)
    assert path.segments[0].t_ms[0] == NOON_MS + 20 * MINUTE


def test_time_out_is_warm_air():
    story = life((10, "taken_out", {}), (20, "put_back", {"unit": "box-a"}))
    path = way(story, {"box-a": steady(60, 3.0)}, 60)
    assert total(path.out) == pytest.approx(10.0)
    assert set(path.segments[1].air_c.tolist()) == {OUT_C}


def test_a_reading_of_the_core_begins_a_segment():
    path = way(life((10, "probed", {"probe_c": 6.0})), {"box-a": steady(60, 3.0)}, 60)
    assert [s.core_c for s in path.segments] == [None, 6.0]
    lags = lags_for(0.5)
    track = follow(path, (Line(5.0),), lags=lags).track
    at = int(np.searchsorted(track.whole_curve.t_ms, NOON_MS + 10 * MINUTE))
    assert track.whole_curve.highest_c[at + 1] == pytest.approx(6.0, abs=0.4)


def test_a_way_that_reads_otherwise_than_before_is_followed_anew():
    lines, lags = (Line(5.0),), lags_for(None)
    early = follow(way(life(), {"box-a": steady(30, 4.0)}, 30), lines, lags=lags)
    changed = way(life(), {"box-a": steady(60, 9.0)}, 60)
    fresh = follow(changed, lines, lags=lags)
    kept = follow(changed, lines, lags=lags, before=early)
    assert np.array_equal(kept.track.above[0].start_ms, fresh.track.above[0].start_ms)
    assert np.array_equal(kept.track.memory.now_c, fresh.track.memory.now_c)


def test_a_probe_in_the_warmest_spot_is_the_food_itself():
    probed = settings(sensor={"position": "product"})
    minutes = np.arange(0.0, 61.0)
    box = air(minutes, 3.0 + 0.02 * np.sin(minutes), of=probed)
    assert box.is_food
    path = way(life(), {"box-a": box}, 60)
    assert follow(path, (Line(5.0),), lags=lags_for(None)).track.lags.size == 0
