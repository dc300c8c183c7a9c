import numpy as np
import pytest

from services.analytics.planning.scene import DUSK_HOUR, STEPS_PER_HOUR, extra, place_of, scene_of
from services.timebase import HOUR_MS
from tests.helpers.trips import DRIVES, trip


def test_a_trip_is_laid_out_in_whole_hours_from_start_to_noon():
    scene = scene_of(trip(nights=2))
    assert scene.hours == 48
    assert scene.day[0] == 0
    assert scene.day[-1] == 2


def test_drives_are_where_the_local_clock_says():
    scene = scene_of(trip(nights=1))
    local_h = (scene.t_ms + scene.offset_ms) / HOUR_MS % 24
    driving = scene.driving > 0
    expected = ((local_h >= 6) & (local_h < 9.5)) | ((local_h >= 15.5) & (local_h < 18.5))
    assert np.array_equal(driving, expected)


def test_a_stop_runs_past_midnight_and_only_from_its_own_day():
    more = '[[stop]]\ndays = [1]\nat = 22:00:00\nlasts_h = 4\nsupply = "generator"\n'
    scene = scene_of(trip(more, nights=2))
    on = np.flatnonzero(scene.plugged)
    assert on.size == 4 * STEPS_PER_HOUR
    assert on[0] == 10 * STEPS_PER_HOUR
    assert np.array_equal(scene.plugged, scene.generator)


def test_a_hot_stop_is_hot_only_while_it_lasts():
    scene = scene_of(trip("[[stop]]\nat = 10:00:00\nlasts_h = 6\nsun_k = 20\n", nights=1))
    assert set(np.unique(scene.stop_sun_k)) == {0.0, 20.0}
    assert scene.plugged.sum() == 0


def test_extra_minutes_end_at_dusk_of_every_day_and_never_double_a_drive():
    scene = scene_of(trip(DRIVES, nights=2))
    more = extra(scene, scene.driving, minutes=60, until_hour=DUSK_HOUR)
    assert float((more * scene.driving).sum()) == 0.0
    # the last day ends at noon, so its extra hour lies in the morning
    assert [more[scene.day == day].sum() for day in range(3)] == [6, 6, 6]
    assert float(scene.sun_hour[more > 0].max()) < DUSK_HOUR
    assert extra(scene, scene.driving, minutes=0, until_hour=DUSK_HOUR).sum() == 0


def test_without_a_longitude_the_middle_of_the_time_zone_is_taken():
    found = trip()
    bare = found.model_copy(update={"trip": found.trip.model_copy(update={"longitude_deg": None})})
    assert place_of(bare, 2 * HOUR_MS).longitude_deg == pytest.approx(30.0)
    assert place_of(found, 2 * HOUR_MS).longitude_deg == 28.0


def test_a_moment_finds_its_step():
    scene = scene_of(trip(nights=1))
    at = scene.local_ms(1, 14 * HOUR_MS)
    assert scene.step_of(at) == 2 * STEPS_PER_HOUR
