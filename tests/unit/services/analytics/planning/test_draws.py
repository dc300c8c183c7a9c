import numpy as np
import pytest

from services.analytics.planning import draws
from services.analytics.power.capacity import LABEL_CAP, Capacity
from services.domain.trip import TripWeather


def test_the_same_names_draw_the_same_and_others_others():
    first = draws.cabinet_draws("v3-meat", gain_given=False, cooling_given=True)
    again = draws.cabinet_draws("v3-meat", gain_given=False, cooling_given=True)
    other = draws.cabinet_draws("v3-fish", gain_given=False, cooling_given=True)
    assert np.array_equal(first.gain, again.gain)
    assert not np.array_equal(first.gain, other.gain)
    assert np.log(first.gain).std() > 1.5 * np.log(first.cooling).std()


def test_no_bank_holds_more_than_the_cap_or_less_than_a_working_one():
    found = draws.bank_draws("b-1", Capacity(70.0, 0.5, None), label_ah=100.0, start_soc=0.9)
    assert found.capacity_share.max() <= LABEL_CAP
    assert found.capacity_share.min() >= draws.LEAST_SHARE
    assert found.start_soc.max() <= 1.0


def test_days_scatter_as_the_weather_says_half_of_it_for_the_whole_trip():
    days = draws.days_of(TripWeather(spread_k=2.0, cloud_share=0.3), 10)
    assert days.warmer_k.std() == pytest.approx(2.0, rel=0.1)
    assert days.warmer_k.mean(axis=0).std() == pytest.approx(2.0 * np.sqrt(0.5 + 0.05), rel=0.15)
    assert days.cloud_share.mean() == pytest.approx(0.3, abs=0.02)
    assert days.cloud_share.min() >= 0.0


def test_weather_without_scatter_is_the_same_every_day():
    days = draws.days_of(TripWeather(spread_k=0.0, cloud_share=0.0), 3)
    assert not days.warmer_k.any()
    assert not days.cloud_share.any()
