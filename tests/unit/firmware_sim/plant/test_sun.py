import numpy as np
import pytest

from firmware_sim.plant.sun import (
    DEFAULT_TURBIDITY,
    clear_sky,
    daylight_h,
    on_tilted,
    sun_at,
    turbidity_of,
)

DAY = 20_443  # 21 December 2025
DAY_S = DAY * 86_400.0


def _day_of(latitude_deg, longitude_deg=0.0, day=DAY):
    t_s = day * 86_400.0 + np.arange(0.0, 86_400.0, 60.0)
    return sun_at(t_s, latitude_deg=latitude_deg, longitude_deg=longitude_deg)


def test_the_midsummer_sun_stands_overhead_at_the_southern_tropic():
    assert _day_of(-23.44).cos_zenith.max() == pytest.approx(1.0, abs=1e-4)


def test_the_sun_rises_in_the_east_and_sets_in_the_west():
    sun = _day_of(-20.0)
    up = np.flatnonzero(sun.cos_zenith > 0.0)
    assert np.degrees(sun.azimuth_rad[up[0]]) == pytest.approx(115.0, abs=5.0)
    assert np.degrees(sun.azimuth_rad[up[-1]]) == pytest.approx(245.0, abs=5.0)


def test_south_of_the_tropics_the_noon_sun_stands_in_the_north():
    sun = _day_of(-34.0, day=20_625)
    noon = int(sun.cos_zenith.argmax())
    assert np.cos(sun.azimuth_rad[noon]) == pytest.approx(1.0, abs=1e-3)


def test_days_are_long_in_summer_and_even_at_the_equator():
    south, equator, north = (daylight_h(DAY, latitude_deg=at, longitude_deg=0.0) for at in (-33.0, 0.0, 33.0))
    lengths = [end_h - start_h for start_h, end_h in (south, equator, north)]
    assert lengths[0] > lengths[1] + 2.0
    assert lengths[1] == pytest.approx(12.11, abs=0.02)
    assert lengths[2] < lengths[1] - 2.0


def test_daylight_begins_and_ends_with_the_sun_at_the_horizon():
    for t_h in daylight_h(DAY, latitude_deg=-19.0, longitude_deg=23.5):
        sun = sun_at(np.array([DAY_S + t_h * 3600.0]), latitude_deg=-19.0, longitude_deg=23.5)
        assert np.degrees(np.arcsin(sun.cos_zenith[0])) == pytest.approx(-0.833, abs=0.1)


def test_polar_night_has_no_daylight():
    start_h, end_h = daylight_h(DAY, latitude_deg=72.0, longitude_deg=0.0)
    assert start_h == end_h


def test_no_sun_below_the_horizon():
    sky = clear_sky(np.array([-0.5, -0.01]), day_of_year=100, altitude_m=0.0, turbidity=3.0)
    assert sky.flat.tolist() == [0.0, 0.0]
    assert np.all(np.isfinite(sky.beam))


def test_beam_and_sky_add_up_on_level_ground():
    up = np.linspace(0.02, 1.0, 30)
    sky = clear_sky(up, day_of_year=200, altitude_m=950.0, turbidity=3.5)
    assert sky.flat == pytest.approx(sky.beam * up + sky.diffuse)
    assert np.all(sky.diffuse > 0.0)


def test_haze_dims_the_beam_and_height_brightens_it():
    one = np.ones(1)
    clean, hazy = (clear_sky(one, day_of_year=1, altitude_m=0.0, turbidity=t).beam[0] for t in (2.0, 6.0))
    high = clear_sky(one, day_of_year=1, altitude_m=2000.0, turbidity=2.0).beam[0]
    assert hazy < clean < high


def test_a_level_panel_gets_what_level_ground_gets():
    sun = _day_of(-25.0)
    sky = clear_sky(sun.cos_zenith, day_of_year=355, altitude_m=900.0, turbidity=3.5)
    assert on_tilted(sky, sun, tilt_deg=0.0, latitude_deg=-25.0) == pytest.approx(sky.flat, abs=1e-6)


def test_leaning_to_the_equator_pays_in_winter_only():
    for day, better in ((20_625, True), (DAY, False)):
        sun = _day_of(-25.0, day=day)
        sky = clear_sky(sun.cos_zenith, day_of_year=172 if better else 355, altitude_m=900.0, turbidity=3.5)
        leaning = on_tilted(sky, sun, tilt_deg=25.0, latitude_deg=-25.0).sum()
        assert bool(leaning > sky.flat.sum()) is better


def test_haze_comes_from_the_points_around_and_is_common_far_away():
    here = turbidity_of(DAY, latitude_deg=-19.0, longitude_deg=23.5)
    assert 2.0 < here < 7.0
    assert turbidity_of(20_625, latitude_deg=-19.0, longitude_deg=23.5) < here
    assert turbidity_of(DAY, latitude_deg=50.0, longitude_deg=-100.0) == DEFAULT_TURBIDITY
