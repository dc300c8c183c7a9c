import numpy as np
import pytest

from services.analytics.service.health import health_days, measured_on
from services.domain import FEATURES
from services.telemetry import Series
from tests.helpers.cabinet_days import DAY_MS, FIRST_MS, HOUR_MS, Machine, played, settings

MACHINE = Machine()
THREE = played(3, MACHINE)
"""Three days of a sound machine; the first is what the second rests on."""


def days_of(series, of=None, days=2, **asked):
    begin = FIRST_MS + DAY_MS
    return health_days(series, of or settings(), from_ms=begin, to_ms=begin + days * DAY_MS, **asked)


def test_the_days_of_a_known_machine_tell_its_time_constant_and_its_ratio():
    table = days_of(THREE)
    assert len(table) == 2
    assert table.column("warm_up_per_h") == pytest.approx([0.25, 0.25], rel=0.02)
    assert table.column("capacity_ratio_k") == pytest.approx([100.0, 100.0], rel=0.03)
    assert table.column("cooling_k_per_h") == pytest.approx([25.0, 25.0], rel=0.03)
    assert table.column("hours_seen") == pytest.approx([24.0, 24.0])


def test_night_duty_follows_the_law_of_the_balance():
    day = days_of(THREE).days[0]
    # duty = (Ta - T) / ratio; the slope is brought from the night's air to 32 °C at 1.5 %/K
    assert day.night_duty == pytest.approx(day.night_gap_k / 100.0, rel=0.03)
    night_c = day.night_gap_k + 3.0
    assert day.night_slope_per_k == pytest.approx(0.01 * (1.0 - 0.015 * (night_c - 32.0)), rel=0.03)


def test_a_day_is_the_same_alone_and_among_others():
    whole = days_of(THREE)
    alone = [
        health_days(THREE, settings(), from_ms=day.day, to_ms=day.day + DAY_MS).days[0] for day in whole.days
    ]
    assert list(whole.days) == alone


def test_a_unit_with_three_channels_says_what_cannot_be_known():
    day = days_of(played(3, MACHINE, drop=("ambient_c",))).days[0]
    assert day.night_slope_per_k is None
    assert day.why_not("night_slope_per_k") == "no_ambient"
    assert day.why_not("running_a") == "not_measured"
    assert day.why_not("evaporator_gap_k") == "not_measured"
    assert day.cooling_k_per_h == pytest.approx(25.0, rel=0.03)
    assert day.ambient_from is None


def test_the_air_of_a_neighbour_stands_in_and_is_named():
    mine = played(3, MACHINE, drop=("ambient_c",))
    beside = Series(THREE.t_ms, {"ambient_c": THREE.columns["ambient_c"]})
    day = days_of(mine, neighbour=beside).days[0]
    assert day.ambient_from == "neighbour"
    assert day.capacity_ratio_k == pytest.approx(100.0, rel=0.03)
    assert "ambient" not in day.has


def test_a_weaker_machine_shows_in_ratio_and_cooling_and_not_in_the_warm_up():
    weak = days_of(played(3, MACHINE.but(capacity_ratio_k=70.0))).days[0]
    sound = days_of(THREE).days[0]
    assert weak.capacity_ratio_k == pytest.approx(70.0, rel=0.03)
    assert weak.cooling_k_per_h < 0.75 * sound.cooling_k_per_h
    assert weak.warm_up_per_h == pytest.approx(sound.warm_up_per_h, rel=0.03)
    assert weak.night_slope_per_k == pytest.approx(sound.night_slope_per_k / 0.7, rel=0.04)


def test_hotter_air_moves_the_duty_and_not_the_slope():
    hot = days_of(played(3, MACHINE, air_c=lambda _: 38.0)).days[0]
    mild = days_of(played(3, MACHINE, air_c=lambda _: 24.0)).days[0]
    assert hot.duty > 1.5 * mild.duty
    assert hot.capacity_ratio_k == pytest.approx(mild.capacity_ratio_k, rel=0.03)


def test_warm_goods_mark_the_day_and_leave_the_machine_alone():
    at = FIRST_MS + DAY_MS + 10 * HOUR_MS
    loaded = played(3, MACHINE.but(time_constant_h=20.0), warmed=lambda t: 12.0 if t == at else 0.0)
    day, after = days_of(loaded).days
    assert "warm_load" in day.marks
    assert day.warm_load_h > 2.0
    assert "warm_load" not in after.marks


def test_hours_without_a_feed_are_told_apart_from_a_weak_machine():
    begin = FIRST_MS + DAY_MS + 8 * HOUR_MS
    cut = played(3, MACHINE, still=lambda t: begin <= t < begin + 5 * HOUR_MS)
    day = days_of(cut).days[0]
    assert day.stood_warm_h > 3.0
    assert "stood_warm" in day.marks
    assert day.capacity_ratio_k == pytest.approx(100.0, rel=0.03)


def test_a_long_rest_tells_the_time_constant_and_with_a_declared_load_the_heat_gain():
    slow = Machine(time_constant_h=20.0)
    day = days_of(played(3, slow), settings(food={"load_kg": 10.0})).days[0]
    assert day.time_constant_h == pytest.approx(20.0, rel=0.03)
    # 6 kJ/K of liner and air and 3.5 kJ/(kg K) of food, over the time constant
    assert day.gain_w_per_k == pytest.approx((6000.0 + 35000.0) / (20.0 * 3600.0), rel=0.03)
    undeclared = days_of(played(3, slow)).days[0]
    assert (undeclared.gain_w_per_k, undeclared.why_not("gain_w_per_k")) == (None, "not_measured")


def test_voltages_path_and_charge_come_from_the_supply():
    day = days_of(THREE).days[0]
    assert (day.rest_v, day.loaded_v) == (12.6, 12.4)
    assert day.path_ohm == pytest.approx(0.05, abs=0.002)
    assert day.sag_v == pytest.approx(0.2, abs=0.01)
    assert day.ah == pytest.approx(day.hours_run * 4.0 + (24.0 - day.hours_run) * 0.8 / 12.0, rel=0.01)
    assert day.ah_from == "file"
    assert day.dawn_v == 12.6
    assert day.full == 0.0


def test_a_unit_on_mains_has_no_battery_to_tell_of():
    day = days_of(played(3, MACHINE, drop=("battery_v",)), settings(supply="mains")).days[0]
    assert day.why_not("rest_v") == "no_battery"
    assert day.dust_from == "running"


def test_a_cabinet_reading_that_stands_still_while_the_machine_turns_is_not_believed():
    columns = {**THREE.columns, "cabinet_c": np.full(len(THREE), 3.0)}
    day = days_of(Series(THREE.t_ms, columns)).days[0]
    assert day.capacity_ratio_k is None
    assert day.hours_run is not None


def test_a_day_heard_in_part_is_marked_and_a_silent_one_is_not_there():
    heard = (THREE.t_ms < FIRST_MS + DAY_MS + 6 * HOUR_MS) | (THREE.t_ms >= FIRST_MS + 3 * DAY_MS)
    table = days_of(Series(THREE.t_ms[heard], {n: v[heard] for n, v in THREE.columns.items()}))
    assert [day.marks for day in table.days] == [("part_seen",)]


def test_what_a_day_is_measured_on_changes_with_set_point_site_and_bank_alone():
    base = measured_on(settings())
    assert measured_on(settings(food={"load_kg": 9.0}, state="empty")) == base
    assert measured_on(settings(set_point_c=5.0)) != base
    assert measured_on(settings(supply="mains")) != base


def test_openings_are_counted_by_the_switch_where_there_is_one():
    lid = np.zeros(len(THREE))
    lid[(24 * 60 + 600) : (24 * 60 + 603)] = 1.0
    lid[24 * 60 + 700] = 1.0
    day = days_of(Series(THREE.t_ms, {**THREE.columns, "lid_open": lid})).days[0]
    assert (day.lids, day.lids_from) == (2.0, "measured")
    jump = FIRST_MS + DAY_MS + 11 * HOUR_MS
    day = days_of(played(3, MACHINE, warmed=lambda t: 0.8 if t == jump else 0.0)).days[0]
    assert (day.lids, day.lids_from) == (1.0, "jumps")


def test_every_feature_is_a_number_of_a_day():
    day = days_of(THREE).days[0]
    assert all(hasattr(day, name) for name in FEATURES)
    assert all((getattr(day, name) is None) == (day.why_not(name) is not None) for name in FEATURES)
