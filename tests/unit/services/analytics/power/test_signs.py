import numpy as np
import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.signs import late_from_ms, signs_of
from services.analytics.power.stops import stops_of
from services.analytics.power.thermostat import Band
from services.analytics.power.threshold import Threshold
from services.analytics.power.turned import Turned
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, settings_for

BAND = Band(-1.0, 1.0, 1.0, 0.3, learned=True)


def signs(v_on, v_off, *, minutes=40, threshold=None, warms_to=7.0):
    on = np.array([1.0] * 5 + [0.0] * minutes + [1.0])
    cabinet = np.concatenate([np.full(5, 2.0), np.linspace(2.0, warms_to, minutes), [warms_to]])
    volts = np.where(on > 0, v_on, v_off)
    t_ms = START_MS + np.arange(on.size, dtype=np.int64) * 60_000
    series = Series(t_ms, {"compressor_on": on, "cabinet_c": cabinet, "battery_v": volts})
    frame = frame_of(series, settings_for(Story()), None)
    threshold = Threshold(11.4, "file") if threshold is None else threshold
    return signs_of(frame, stops_of(frame, runs_of(frame), BAND), threshold)


def test_a_late_start_near_the_cut_out_was_held_off():
    found = signs(11.6, 12.0)
    assert found.near[0]
    assert found.held[0]
    assert not found.tight[0]


def test_a_late_start_is_held_off_where_the_last_fall_would_bring_it_under_the_cut_out():
    assert signs(12.0, 12.6).held.tolist() == [False]
    assert signs(11.95, 11.98).held.tolist() == [False]
    assert signs(11.95, 12.9, threshold=Threshold(11.9, "file")).held.tolist() == [True]


def test_a_nearly_empty_battery_holds_off_whatever_its_cut_out():
    assert signs(11.5, 11.7, threshold=Threshold(9.6, "file")).held.tolist() == [True]


def test_a_start_in_time_was_not_held_off():
    assert signs(11.6, 12.0, warms_to=4.2).held.tolist() == [False]


def test_a_turned_cut_out_counts_from_when_it_was_turned():
    turned = Threshold(11.0, "file", turned=(Turned(12.1, START_MS),))
    assert signs(12.1, 12.6, threshold=turned).near.tolist() == [True]
    later = Threshold(11.0, "file", turned=(Turned(12.1, START_MS + 86_400_000),))
    assert signs(12.1, 12.6, threshold=later).near.tolist() == [False]


@pytest.mark.parametrize(("interval_s", "minutes"), [(60, 12), (300, 12), (600, 20)])
def test_coarse_samples_make_late_later(interval_s, minutes):
    t_ms = START_MS + np.arange(10, dtype=np.int64) * interval_s * 1000
    frame = frame_of(Series(t_ms, {"compressor_on": np.ones(10)}), settings_for(Story()), None)
    assert late_from_ms(frame) == minutes * 60_000
