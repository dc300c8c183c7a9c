import numpy as np
import pytest

from services.analytics.power.sunshine import clear_sky_w_per_m2, panel_a, sun_height
from services.timebase import HOUR_MS, ms_of_iso


def test_the_sun_stands_highest_at_noon_by_the_place_and_not_by_the_clock():
    day = ms_of_iso("2026-03-20T00:00:00Z") + 60_000 * np.arange(1440, dtype=np.int64)
    for longitude in (0.0, 30.0):
        height = sun_height(day, latitude_deg=0.0, longitude_deg=longitude)
        noon = float(day[int(np.argmax(height))] - day[0]) / HOUR_MS
        assert noon == pytest.approx(12.0 - longitude / 15.0, abs=0.2)
        assert height.max() == pytest.approx(1.0, abs=0.001)


def test_at_night_there_is_no_sun():
    night = np.array([ms_of_iso("2026-03-20T00:00:00Z")], dtype=np.int64)
    assert clear_sky_w_per_m2(night, latitude_deg=0.0, longitude_deg=0.0)[0] == 0.0


def test_a_panel_gives_half_the_current_at_twice_the_voltage():
    sun = np.array([1000.0])
    twelve, twenty_four = (panel_a(sun, panel_wp=100.0, nominal_v=v) for v in (12.0, 24.0))
    assert twelve[0] == pytest.approx(100.0 * 0.75 / 13.5)
    assert twenty_four[0] == pytest.approx(twelve[0] / 2.0)
