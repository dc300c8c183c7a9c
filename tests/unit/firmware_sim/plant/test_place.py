from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.plant.place import STEPS_A_DAY, Place, covered
from firmware_sim.scenarios.model import HeatWave, Move, SiteWeather, Spell
from services.errors import ConfigurationError
from services.timebase import DAY_MS
from tests.helpers.electric import scenario_of
from tests.unit.firmware_sim.plant.test_replay import write_year

DAY = 20_443  # 21 December 2025
ANCHOR_MS = (DAY + 10) * DAY_MS
HOUR = STEPS_A_DAY // 24


def _place(folder=None, **weather):
    scenario = scenario_of([], [], site=SiteWeather(id="here", **weather))
    if folder is not None:
        scenario = replace(scenario, path=folder / "made.toml")
    return Place(scenario, 0, anchor_ms=ANCHOR_MS)


def test_spans_cover_their_share_of_each_step():
    share = covered([(1.0, 1.0 + 45.0 / 3600.0), (23.5, 25.0)])
    assert share[HOUR : HOUR + 3] == pytest.approx([1.0, 0.5, 0.0])
    assert share.sum() == pytest.approx(1.5 + HOUR / 2)


def test_a_place_with_a_latitude_has_the_days_of_its_season():
    summer, winter = (
        (_place(latitude_deg=-19.0, longitude_deg=23.5).day(day).sun_w_per_m2 > 0.01).sum()
        for day in (DAY, DAY + 182)
    )
    assert summer / HOUR == pytest.approx(13.1, abs=0.3)
    assert winter / HOUR == pytest.approx(10.9, abs=0.3)


def test_clouds_come_and_go_but_never_add_sun():
    clear = _place(latitude_deg=-19.0, cloud_share=0.0).day(DAY)
    cloudy = _place(latitude_deg=-19.0, cloud_share=1.0).day(DAY)
    assert np.all(clear.clear_share == 1.0)
    assert np.all(cloudy.sun_w_per_m2 <= clear.sun_w_per_m2 + 1e-9)
    assert np.std(cloudy.clear_share) > 0.01


def test_seasons_turn_round_south_of_the_equator():
    south = _place(latitude_deg=-25.0, season_k=6.0, spread_k=0.0)
    north = _place(latitude_deg=25.0, season_k=6.0, spread_k=0.0)
    january, july = DAY + 25, DAY + 25 + 182
    assert south.day(january).air_c.max() - south.day(july).air_c.max() == pytest.approx(12.0, abs=0.3)
    assert north.day(july).air_c.max() - north.day(january).air_c.max() == pytest.approx(12.0, abs=0.3)


def test_the_warmest_month_may_be_said():
    october = _place(latitude_deg=-19.0, season_k=5.0, spread_k=0.0, warmest_month=10)
    assert october.day(DAY - 66).air_c.max() == pytest.approx(32.0 + 5.0, abs=0.1)


def test_a_heat_wave_lifts_its_days():
    wave = HeatWave(begins_d_before=7.0, lasts_h=96.0, rise_k=6.0)
    calm, hot = (_place(spread_k=0.0, heat_wave=waves) for waves in ((), (wave,)))
    risen = [hot.day(DAY + k).air_c.max() - calm.day(DAY + k).air_c.max() for k in range(10)]
    assert risen[0] == pytest.approx(0.0, abs=0.01)
    assert risen[5] == pytest.approx(6.0, abs=0.01)
    assert risen[9] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("weather", [{}, {"latitude_deg": -19.0, "longitude_deg": 23.5}])
def test_days_join_without_a_step(weather):
    place = _place(**weather)
    before, after = place.day(DAY), place.day(DAY + 1)
    assert abs(after.air_c[0] - before.air_c[-1]) < 0.05


def test_a_move_runs_the_engine_and_unplugs_everything():
    move = Move(begins_d_before=10.0, at_h=9.0, lasts_h=5.0)
    place = _place(move=(move,), mains=((0.0, 24.0),), generator=((0.0, 24.0),))
    moved = next(day for day in map(place.day, range(DAY - 2, DAY + 1)) if day.road.any())
    road = moved.road > 0.5
    assert road.sum() == 5 * HOUR
    assert np.all(moved.engine[road] == 1.0)
    assert np.all(moved.mains[road] == 0.0)
    assert np.all(moved.generator[road] == 0.0)


def test_mains_fail_when_the_supply_is_out():
    place = _place(supply_out=(Spell(begins_d_before=9.0, lasts_h=6.0),), mains=((0.0, 24.0),))
    day = place.day(DAY + 1)
    assert (~day.supplied).sum() == 6 * HOUR
    assert np.all(day.mains[~day.supplied] == 0.0)


def test_a_generator_runs_in_its_hours_give_or_take_twenty_minutes():
    running = _place(generator=((18.0, 22.0),)).day(DAY).generator > 0.0
    assert running.sum() / HOUR == pytest.approx(4.0, abs=0.7)


def test_air_never_holds_more_moisture_than_it_can():
    dry, wet = _place(dew_point_c=5.0).day(DAY), _place(dew_point_c=40.0).day(DAY)
    assert dry.vapour_kg_per_kg.max() == pytest.approx(0.0054, abs=0.0002)
    assert np.all(np.diff(wet.vapour_kg_per_kg[np.argsort(wet.air_c)]) >= -1e-12)


def test_a_measured_year_is_played_on_its_dates(tmp_path):
    write_year(tmp_path / "year.csv")
    place = _place(tmp_path, hourly_file="year.csv")
    first = 24 * (355 - 1)
    at_noon_utc = place.day(DAY).air_c[12 * HOUR]
    assert at_noon_utc == pytest.approx((first + 14.0) / 100.0, abs=1e-6)  # Lusaka is 2 h ahead


def test_a_measured_year_can_be_turned_round(tmp_path):
    write_year(tmp_path / "year.csv")
    place = _place(tmp_path, hourly_file="year.csv", hourly_shift_days=-182)
    first = 24 * (355 - 182 - 1)
    assert place.day(DAY).air_c[12 * HOUR] == pytest.approx((first + 14.0) / 100.0, abs=1e-6)


def test_the_29th_of_february_is_the_28th_again(tmp_path):
    write_year(tmp_path / "year.csv")
    place = _place(tmp_path, hourly_file="year.csv")
    leap = 19_782  # 29 February 2024
    assert np.array_equal(place.day(leap).air_c, place.day(leap - 1).air_c)


def test_a_missing_year_is_named(tmp_path):
    with pytest.raises(ConfigurationError) as raised:
        _place(tmp_path, hourly_file="gone.csv")
    assert raised.value.setting == "made.toml: site here.hourly_file"


def test_a_panel_leans_only_where_the_place_is_known():
    flat = _place()
    assert np.array_equal(flat.on_panel(DAY, tilt_deg=30.0), flat.day(DAY).sun_w_per_m2)
    known = _place(latitude_deg=-30.0, cloud_share=0.0)
    assert known.on_panel(DAY + 182, tilt_deg=30.0).sum() > 1.2 * known.day(DAY + 182).sun_w_per_m2.sum()
    with pytest.raises(ValueError, match="no latitude"):
        flat.sky(DAY)


def test_any_day_can_be_asked_for_first():
    one, other = _place(latitude_deg=-19.0), _place(latitude_deg=-19.0)
    other.day(DAY + 3)
    assert np.array_equal(one.day(DAY).sun_w_per_m2, other.day(DAY).sun_w_per_m2)
