import numpy as np
import pytest

from services.analytics.channel_faults import (
    DRIFT_DAYS,
    air_evidence,
    drifts,
    jumps,
    probe_evidence,
    trembles,
    unlike_itself,
)
from services.telemetry import Series
from services.timebase import DAY_MS
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

DAY_MIN = 1440
BREAK_MS = 120.0 * MINUTE_MS
RNG = np.random.default_rng(4)


def minutes(count):
    return MIDNIGHT_MS + np.arange(count) * MINUTE_MS


def restless(count, *, around_c=3.0):
    """Return air that cycles by a degree and shows a tenth, as sound sensors do."""
    swing = np.sin(2 * np.pi * np.arange(count) / 40.0)
    return np.round(around_c + swing + RNG.normal(0.0, 0.06, count), 1)


def series(cabinet, **columns):
    return Series(minutes(cabinet.size), {"cabinet_c": cabinet, **columns})


def test_air_that_comes_to_rest_for_two_hours_after_a_restless_day_is_unlike_itself():
    air = np.concatenate((restless(DAY_MIN), np.full(200, 3.4)))
    t_ms = minutes(air.size)
    assert unlike_itself(t_ms, air, DAY_MIN, DAY_MIN + 122)
    assert not unlike_itself(t_ms, air, DAY_MIN, DAY_MIN + 119)
    assert air_evidence(series(air), {"cabinet_c": air}, BREAK_MS) == [(DAY_MIN, air.size)]


def test_air_at_the_melting_point_may_rest():
    air = np.concatenate((restless(DAY_MIN, around_c=1.0), np.full(200, 0.0)))
    assert not unlike_itself(minutes(air.size), air, DAY_MIN, air.size)


def test_air_that_often_rested_may_rest_again():
    slow = np.repeat(restless(DAY_MIN // 30), 30)
    air = np.concatenate((slow, np.full(200, 3.45)))
    assert not unlike_itself(minutes(air.size), air, DAY_MIN, air.size)


def test_half_a_day_without_a_move_is_stuck_even_with_nothing_beside_it():
    every_ten = MIDNIGHT_MS + np.arange(400) * 10 * MINUTE_MS
    air = np.repeat(restless(100), 4)
    for held, stuck in ((73, True), (70, False)):
        values = air.copy()
        values[100 : 100 + held] = 6.95
        log = Series(every_ten, {"cabinet_c": values})
        found = air_evidence(log, {"cabinet_c": values}, BREAK_MS)
        assert bool(found) is stuck, held


@pytest.mark.parametrize("step_c", [0.5, 17.0])
def test_coarse_digits_may_stand_for_half_a_day(step_c):
    air = np.concatenate((np.full(DAY_MIN, 3.0), np.full(DAY_MIN, 3.0 + step_c)))
    assert air_evidence(series(air), {"cabinet_c": air}, BREAK_MS) == []


def test_a_bad_contact_trembles_and_a_sound_sensor_does_not():
    sound = restless(600)
    assert not trembles(minutes(600), sound).any()
    bad = sound.copy()
    bad[240:360] += np.round(RNG.normal(0.0, 0.48, 120), 1)
    found = np.flatnonzero(trembles(minutes(600), bad))
    assert found.min() == 240
    assert found.max() == 359


def test_lids_that_open_often_are_no_bad_contact():
    air = restless(600)
    air[np.arange(0, 600, 20)] += 4.0
    assert not trembles(minutes(600), air).any()


def test_a_coarse_digit_that_flickers_is_no_bad_contact():
    flicker = np.where(RNG.random(600) < 0.5, 3.0, 3.5)
    assert not trembles(minutes(600), flicker).any()


def test_readings_far_apart_cannot_tremble():
    every_ten = MIDNIGHT_MS + np.arange(600) * 10 * MINUTE_MS
    assert not trembles(every_ten, RNG.normal(3.0, 2.0, 600)).any()
    assert not trembles(every_ten[:3], np.array([1.0, 5.0, 1.0])).any()
    assert not trembles(minutes(30), np.full(30, 3.0)).any()


def test_a_leap_there_and_back_is_marked():
    air = np.full(30, 3.0)
    air[10] = 12.0
    assert np.flatnonzero(jumps(minutes(30), air)).tolist() == [10]


def week(slope_k_per_day, *, days=DRIFT_DAYS, product=True, turns=True):
    """Return a week of cabinet air and a probe that parts from it."""
    count = days * DAY_MIN
    day = np.arange(count) / DAY_MIN
    air = restless(count)
    columns = {"compressor_on": (np.arange(count) % 40 < 12).astype(float) if turns else np.zeros(count)}
    if product:
        columns["product_c"] = np.round(3.0 + slope_k_per_day * day, 1)
        return series(air, **columns)
    return series(np.round(air + slope_k_per_day * day, 1), **columns)


def found_in(log):
    return drifts(
        log, {name: log.columns[name] for name in ("cabinet_c", "product_c") if name in log.columns}
    )


@pytest.mark.parametrize(
    ("slope", "found"), [(0.0, False), (0.04, False), (-0.04, False), (0.09, True), (-0.09, True)]
)
def test_a_probe_and_its_air_that_part_slowly_are_drift(slope, found):
    log = week(slope)
    expected = [("cabinet_c", MIDNIGHT_MS, MIDNIGHT_MS + DRIFT_DAYS * DAY_MS)] if found else []
    assert found_in(log) == expected


@pytest.mark.parametrize(("slope", "found"), [(0.0, False), (0.05, False), (0.12, True), (-0.12, True)])
def test_without_a_probe_the_floor_of_the_air_tells(slope, found):
    assert bool(found_in(week(slope, product=False))) is found


def test_without_a_thermostat_that_holds_the_air_its_floor_tells_nothing():
    assert found_in(week(0.3, product=False, turns=False)) == []


def test_six_days_are_not_enough():
    assert found_in(week(0.2, days=DRIFT_DAYS - 1)) == []


def test_longer_drift_is_one_stretch():
    assert found_in(week(0.1, days=12)) == [("cabinet_c", MIDNIGHT_MS, MIDNIGHT_MS + 12 * DAY_MS)]


def test_a_person_who_turns_the_set_point_and_food_that_settles_are_no_drift():
    log = week(0.0)
    day = np.arange(len(log)) / DAY_MIN
    for move in (np.where(day < 3.5, 0.0, 2.0), 6.0 * np.exp(-day * 1.5)):
        product = np.round(log.columns["product_c"] + move, 1)
        assert found_in(series(log.columns["cabinet_c"], product_c=product)) == []


def test_a_missing_day_breaks_the_week():
    log = week(0.2, days=9)
    keep = (log.t_ms - MIDNIGHT_MS) // DAY_MS != 4
    thinned = Series(log.t_ms[keep], {name: values[keep] for name, values in log.columns.items()})
    assert found_in(thinned) == []


def test_a_morning_is_no_day():
    log = week(0.09)
    morning = DRIFT_DAYS * DAY_MIN - 1000
    short = Series(log.t_ms[:morning], {name: values[:morning] for name, values in log.columns.items()})
    assert found_in(log) != []
    assert found_in(short) == []


def test_nothing_is_found_in_nothing():
    empty = Series.empty()
    assert drifts(empty, {}) == []
    assert drifts(empty, {"cabinet_c": np.empty(0)}) == []
    assert not trembles(np.empty(0, dtype=np.int64), np.empty(0)).any()


def test_a_probe_that_ignores_warm_air_is_told_apart_from_one_that_thaws():
    count = 5 * 60
    air = 12.0 + np.sin(np.arange(count) / 9.0)
    for held_c, rows in ((2.0, [(0, count)]), (-1.0, [])):
        log = series(air, product_c=np.full(count, held_c))
        assert probe_evidence(log, dict(log.columns), BREAK_MS) == rows
