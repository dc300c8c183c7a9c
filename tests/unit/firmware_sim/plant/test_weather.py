import numpy as np
import pytest

from firmware_sim.plant.weather import (
    air_c,
    lagged,
    parton_logan_c,
    season_share,
    sun_share,
    wave_share,
)

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


def _before(day):
    return {name: value for name, value in day.items() if name != "after_minimum_c"}


def test_the_older_curve_cools_through_midnight_without_a_step():
    after = _before(DAY) | {"before_c": 33.0, "before_minimum_c": 16.0, "minimum_c": 16.0}
    late = parton_logan_c(np.array([24.0]), **_before(DAY))
    assert parton_logan_c(np.array([0.0]), **after)[0] == pytest.approx(late[0], abs=1e-9)


def test_the_older_curve_has_its_step_at_dawn():
    hour = np.linspace(0.0, 24.0, 48_001)
    jump = np.abs(np.diff(parton_logan_c(hour, **_before(DAY))))
    assert 0.5 < jump.max() < 2.5
    assert hour[jump.argmax()] == pytest.approx(5.6 - 0.17, abs=0.01)


def test_the_warmest_month_is_warmest_in_its_middle():
    shares = [season_share(day, warmest_month=10) for day in range(1, 366)]
    assert int(np.argmax(shares)) + 1 == pytest.approx(289, abs=1)
    assert min(shares) == pytest.approx(-1.0, abs=1e-3)


def test_a_heat_wave_takes_a_day_to_come_and_a_day_to_go():
    spell = {"start_h": 100.0, "end_h": 196.0}
    at = [wave_share(hour, **spell) for hour in (88.0, 100.0, 112.0, 150.0, 184.0, 196.0, 208.0)]
    assert at == pytest.approx([0.0, 0.5, 1.0, 1.0, 1.0, 0.5, 0.0])


def test_a_lag_follows_a_step_exponentially_and_gets_there():
    step = np.concatenate([np.zeros(200), np.ones(2000)])
    shown = lagged(step, lag_s=1800.0, step_s=30.0)
    assert shown.size == step.size
    assert shown[200 + 59] == pytest.approx(1.0 - np.exp(-1.0), abs=1e-6)
    assert shown[-1] == pytest.approx(1.0)


def test_no_lag_changes_nothing():
    values = np.arange(5.0)
    assert lagged(values, lag_s=0.0, step_s=30.0) is values


def test_a_lag_keeps_what_stands_still():
    assert lagged(np.full(50, 7.0), lag_s=900.0, step_s=30.0) == pytest.approx(7.0)
