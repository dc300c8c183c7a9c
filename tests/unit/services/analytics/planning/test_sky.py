import numpy as np
import pytest

from services.analytics.planning import sky
from services.timebase import HOUR_MS, ms_of_iso

PLACE = sky.Place(-19.0, 23.5)


def test_the_air_of_a_day_has_its_extremes_and_no_step_anywhere():
    hours = np.linspace(0, 24, 2401)
    air = sky.air_c(hours, night_c=19.0, day_c=35.0, length_h=13.26)
    assert air.min() == pytest.approx(19.0, abs=0.02)
    assert air.max() == pytest.approx(35.0, abs=0.02)
    assert np.abs(np.diff(air)).max() < 0.15
    assert hours[np.argmax(air)] == pytest.approx(13.5, abs=0.05)


@pytest.mark.parametrize(("date", "hours"), [("2026-12-21", 13.27), ("2026-06-21", 10.97)])
def test_the_day_is_as_long_as_an_open_solar_library_says(date, hours):
    # sunrise to sunset with refraction; plain geometry is some minutes shorter
    found = sky.day_length_h(ms_of_iso(f"{date}T00:00:00Z"), PLACE)
    assert found == pytest.approx(hours, abs=0.25)


def test_the_sun_stands_highest_at_solar_noon_and_not_at_all_at_night():
    start = ms_of_iso("2026-12-21T00:00:00Z")
    t_ms = start + HOUR_MS * np.arange(24, dtype=np.int64)
    height = sky.sun_height_share(t_ms, PLACE)
    assert np.argmax(height) == 10
    assert height[20:].max() == 0.0
    assert sky.solar_hour(t_ms[10:11], PLACE)[0] == pytest.approx(11.57, abs=0.01)


def test_without_a_latitude_the_day_is_the_equators():
    assert sky.day_length_h(ms_of_iso("2026-06-21T00:00:00Z"), sky.Place(None, 0.0)) == pytest.approx(
        12, abs=0.2
    )
