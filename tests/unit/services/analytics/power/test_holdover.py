import math

import numpy as np
import pytest

from services.analytics.food.enthalpy import LEAN_BEEF, apparent_kj_per_kg_k
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.holdover import (
    ambient_now_c,
    default_time_constant_s,
    food_now_c,
    frozen_hours_to_limit,
    hold_over,
    hours_to_limit,
    learned_time_constant_s,
)
from services.domain import Food, Unit, UnitSettings
from services.telemetry import Series
from tests.helpers.made_supply import Story, played, settings_for


def held(series, settings, limit_c=5.0):
    frame = frame_of(series, settings, None)
    return hold_over(series, frame, runs_of(frame), settings, as_of_ms=int(series.t_ms[-1]), limit_c=limit_c)


def test_the_warm_up_follows_the_closed_form():
    hours = hours_to_limit(start_c=2.0, limit_c=5.0, ambient_c=32.0, time_constant_s=36_000)
    assert 32 - 30 * math.exp(-hours / 10) == pytest.approx(5.0)


def test_food_at_its_limit_has_no_hold_over_and_cool_surroundings_never_warm_it():
    assert hours_to_limit(start_c=5.0, limit_c=5.0, ambient_c=32.0, time_constant_s=1.0) == 0.0
    assert hours_to_limit(start_c=2.0, limit_c=5.0, ambient_c=4.0, time_constant_s=1.0) == math.inf


def test_more_food_holds_longer_and_a_named_load_is_not_assumed():
    light, heavy = (
        UnitSettings.of(Unit(id="unit-1", kind="fridge", food=Food(load_kg=kg))) for kg in (3.0, 12.0)
    )
    assert default_time_constant_s(heavy, limit_c=5) > 2 * default_time_constant_s(light, limit_c=5)
    series = played(Story(days=0.2))
    assert not any("kg" in words for words in held(series, settings_for(Story())).assumed)
    bare = UnitSettings.of(Unit(id="unit-1", kind="fridge", interval_s=60))
    assert any("load 3 kg" in words for words in held(series, bare).assumed)


def test_the_time_constant_is_learned_from_long_stands():
    story = Story(days=1, warm_h=6.0, tripped=lambda m: 300 < m < 380 or 700 < m < 780)
    frame = frame_of(played(story), settings_for(story), None)
    tau = learned_time_constant_s(frame, runs_of(frame), ambient_c=30.0)
    assert tau / 3600 == pytest.approx(6.0, rel=0.05)


def test_short_off_periods_teach_nothing():
    frame = frame_of(played(Story(days=0.5)), settings_for(Story()), None)
    assert learned_time_constant_s(frame, runs_of(frame), ambient_c=30.0) is None


def test_measured_surroundings_win_over_the_assumed_ones():
    series = played(Story(days=0.3))
    with_ambient = Series(series.t_ms, {**series.columns, "ambient_c": np.full(series.t_ms.shape, 20.0)})
    assumed, measured = held(series, settings_for(Story())), held(with_ambient, settings_for(Story()))
    assert any("32 °C" in words for words in assumed.assumed)
    assert measured.assumed == ()
    assert measured.hours.p50 > assumed.hours.p50


def test_a_hot_hour_counts_more_than_a_cool_day():
    t_ms = np.arange(0, 86_400_000, 60_000, dtype=np.int64)
    ambient = np.where(t_ms >= 23 * 3_600_000, 45.0, 20.0)
    series = Series(t_ms, {"ambient_c": ambient})
    assert ambient_now_c(series, as_of_ms=int(t_ms[-1])) == pytest.approx(45.0, abs=0.5)


def test_food_is_the_probe_else_the_cabinet_behind_a_lag():
    t_ms = np.arange(0, 12 * 3_600_000, 60_000, dtype=np.int64)
    jump = np.where(t_ms >= t_ms[-1] - 10 * 60_000, 15.0, 3.0)
    cabinet_only = Series(t_ms, {"cabinet_c": jump})
    assert 3.5 < food_now_c(cabinet_only, as_of_ms=int(t_ms[-1])) < 5.0
    probed = Series(t_ms, {"cabinet_c": jump, "product_c": np.full(t_ms.shape, 2.5)})
    assert food_now_c(probed, as_of_ms=int(t_ms[-1])) == 2.5


def test_a_probe_that_fell_silent_does_not_speak_for_food_in_warm_air():
    t_ms = np.arange(0, 12 * 3_600_000, 60_000, dtype=np.int64)
    early = np.where(t_ms < 2 * 3_600_000, 2.5, np.nan)
    series = Series(t_ms, {"cabinet_c": np.full(t_ms.shape, 9.0), "product_c": early})
    assert food_now_c(series, as_of_ms=int(t_ms[-1])) == pytest.approx(9.0)


def test_no_temperature_within_a_day_means_no_hold_over():
    series = played(Story(days=0.1))
    assert food_now_c(series, as_of_ms=int(series.t_ms[-1]) + 2 * 86_400_000) is None


def test_the_range_is_ordered_and_shrinks_to_nothing_at_the_limit():
    hours = held(played(Story(days=0.3)), settings_for(Story())).hours
    assert 0 < hours.p10 < hours.p50 < hours.p90
    assert held(played(Story(days=0.3)), settings_for(Story()), limit_c=2.0).hours.p90 == 0.0


def melting(**changed):
    given = {
        "load_kg": 15.0,
        "liner_j_per_k": 6000.0,
        "start_c": -18.0,
        "limit_c": -12.0,
        "ambient_c": 32.0,
        "gain_w_per_k": 0.5,
    }
    return frozen_hours_to_limit(**(given | changed))


def test_melting_ice_keeps_food_cold_for_longer_than_its_frozen_heat_alone():
    steps = [melting(limit_c=limit) for limit in (-15.0, -12.0, -5.0, -1.1, 0.0)]
    assert steps == sorted(steps)
    dry = hours_to_limit(start_c=-18, limit_c=-1.1, ambient_c=32, time_constant_s=(6000 + 15 * 2800) / 0.5)
    assert melting(limit_c=-1.1) > 4 * dry
    assert melting(start_c=-12.0) == 0.0
    assert melting(ambient_c=-15.0) == math.inf


def test_without_food_a_frozen_cabinet_warms_like_any_other():
    expected = hours_to_limit(start_c=-18, limit_c=-12, ambient_c=32, time_constant_s=6000 / 0.5)
    assert melting(load_kg=0.0) == pytest.approx(expected, rel=1e-4)


def test_a_freezer_holds_by_its_ice_and_a_learned_stand_sets_its_heat_gain():
    t_ms = np.arange(0, 6 * 3_600_000, 60_000, dtype=np.int64)
    series = Series(t_ms, {"cabinet_c": np.full(t_ms.shape, -18.0)})
    freezer = UnitSettings.of(
        Unit(id="unit-1", kind="freezer", interval_s=60, volume_l=82, food=Food(load_kg=15.0))
    )
    found = held(series, freezer, limit_c=-12.0)
    assert found.hours.p50 == pytest.approx(melting(gain_w_per_k=0.64), rel=1e-3)
    assert found.hours.p10 < found.hours.p50 < found.hours.p90
    longer = held(series, freezer, limit_c=-5.0)
    assert longer.hours.p50 > 2 * found.hours.p50


def test_what_long_stands_teach_a_freezer_is_its_heat_gain():
    # Two stands of two hours; the cabinet warms with its ice as 15 kg behind 0.9 W/K do near -17 °C.
    taken_j_per_k = 6000 + 15_000 * float(apparent_kj_per_kg_k(np.array([-18.0]), LEAN_BEEF)[0])
    tau_min = taken_j_per_k / 0.9 / 60
    minute = np.arange(720)
    since = np.where((minute >= 200) & (minute < 320), minute - 200, 0)
    since = np.where((minute >= 500) & (minute < 620), minute - 500, since)
    cabinet = np.round(32 - 50 * np.exp(-since / tau_min), 3)
    stands = since > 0
    series = Series(
        minute.astype(np.int64) * 60_000,
        {"cabinet_c": cabinet, "compressor_on": np.where(stands, 0.0, 1.0)},
    )
    freezer = UnitSettings.of(
        Unit(id="unit-1", kind="freezer", interval_s=60, volume_l=82, food=Food(load_kg=15.0))
    )
    found = held(series, freezer, limit_c=-12.0)
    assert found.time_constant_s / 60 == pytest.approx(tau_min, rel=0.05)
    expected = melting(start_c=found.food_c, gain_w_per_k=0.9)
    assert found.hours.p50 == pytest.approx(expected, rel=0.08)
