import numpy as np
import pytest

from firmware_sim.plant.weather import air_c, sun_share

DAY = {
    "minimum_c": 16.0,
    "maximum_c": 33.0,
    "before_c": 31.0,
    "before_minimum_c": 15.0,
    "after_minimum_c": 18.0,
    "sunrise_h": 5.6,
    "sunset_h": 18.4,
}


def test_coldest_at_sunrise_and_warmest_two_hours_after_noon():
    hour = np.linspace(0.0, 24.0, 4801)
    air = air_c(hour, **DAY)
    assert air.min() == pytest.approx(16.0, abs=0.01)
    assert hour[air.argmin()] == pytest.approx(5.6, abs=0.05)
    assert air.max() == pytest.approx(33.0, abs=0.01)
    assert hour[air.argmax()] == pytest.approx(14.0, abs=0.05)


def test_the_day_has_no_steps():
    air = air_c(np.linspace(0.0, 24.0, 4801), **DAY)
    assert np.abs(np.diff(air)).max() < 0.05


def test_midnight_joins_two_days():
    after = DAY | {"before_c": 33.0, "before_minimum_c": 16.0, "minimum_c": 18.0, "after_minimum_c": 17.0}
    late, early = air_c(np.array([24.0]), **DAY), air_c(np.array([0.0]), **after)
    assert late[0] == pytest.approx(early[0], abs=1e-9)


def test_no_sun_at_night_and_full_sun_at_noon():
    share = sun_share(np.array([0.0, 5.6, 12.0, 18.4, 23.0]), sunrise_h=5.6, sunset_h=18.4)
    assert share == pytest.approx([0.0, 0.0, 1.0, 0.0, 0.0], abs=1e-9)
