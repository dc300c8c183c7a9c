"""What samples tell of the food of a batch."""

import datetime as dt

import numpy as np

from services.analytics.food.batchair import air_of
from services.domain import SensorCheck
from services.telemetry import Series
from tests.helpers.batch_lives import MINUTE, NOON_MS, settings, steady


def test_a_sensor_that_read_low_in_ice_is_corrected_here_too():
    at = dt.datetime.fromtimestamp((NOON_MS + 30 * MINUTE) / 1000, dt.UTC)
    plain, checked = steady(60, 3.0), steady(60, 3.0, checks=(SensorCheck(at=at, reading_c=-0.8),))
    assert np.allclose(checked.readings.value_c[-20:], plain.readings.value_c[-20:] + 0.8)
    assert checked.told


def test_readings_no_sensor_can_give_are_left_out():
    t_ms = NOON_MS + np.arange(5) * MINUTE
    found = air_of(
        Series(t_ms, {"cabinet_c": np.array([3.0, 3.1, 85.0, 3.2, np.nan])}),
        settings(),
        as_of_ms=int(t_ms[-1]),
    )
    assert found.readings.value_c.tolist() == [3.0, 3.1, 3.2]


def test_a_product_probe_in_the_warmest_spot_is_taken_for_the_food():
    t_ms = NOON_MS + np.arange(3) * MINUTE
    series = Series(t_ms, {"cabinet_c": np.array([3.0, 3.1, 3.2]), "product_c": np.array([5.0, 5.1, 5.2])})
    probed = air_of(series, settings(sensor={"position": "product"}), as_of_ms=int(t_ms[-1]))
    assert (probed.is_food, probed.readings.value_c.tolist()) == (True, [5.0, 5.1, 5.2])
    assert air_of(series, settings(), as_of_ms=int(t_ms[-1])).readings.value_c.tolist() == [3.0, 3.1, 3.2]
