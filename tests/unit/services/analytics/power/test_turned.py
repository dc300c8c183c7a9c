import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.thermostat import band_of
from services.analytics.power.threshold import threshold_of
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, settings_for

FILE_V = 10.8


def cycles(number, volts_on):
    """Ordinary cycles of 45 minutes."""
    on = ([1] * 15 + [0] * 30) * number
    cabinet = [*np.linspace(4.0, 2.0, 15), *np.linspace(2.0, 4.0, 30)] * number
    return on, cabinet, ([volts_on] * 15 + [volts_on + 0.3] * 30) * number


def stands(number, volts_on, *, lifted=13.4):
    """Stops mid-run, warm, after each of which it stands until the voltage comes up."""
    on = ([1] * 5 + [0] * 120) * number
    cabinet = [*np.linspace(8.0, 5.0, 5), *np.linspace(5.0, 9.0, 120)] * number
    return on, cabinet, ([volts_on] * 5 + [volts_on + 0.4] * 115 + [lifted] * 5) * number


def series(*parts):
    on, cabinet, volts = ([value for part in parts for value in part[k]] for k in range(3))
    t_ms = START_MS + np.arange(len(on), dtype=np.int64) * 60_000
    columns = {"compressor_on": on, "cabinet_c": cabinet, "battery_v": volts}
    return Series(t_ms, {name: np.asarray(values, dtype=float) for name, values in columns.items()})


def threshold(log):
    frame = frame_of(log, settings_for(Story(), cutout_v=FILE_V), None)
    runs = runs_of(frame)
    return threshold_of(
        frame, runs, band_of(frame, runs), settings_for(Story(), cutout_v=FILE_V), None
    ), frame


def test_a_cut_out_turned_up_and_back_is_in_force_in_between_only():
    log = series(cycles(40, 12.3), stands(3, 12.2), cycles(40, 11.7))
    found, frame = threshold(log)
    (turned,) = found.turned
    assert turned.volts_12 == pytest.approx(12.2)
    assert found.at(int(frame.t_ms[-1])) == FILE_V
    assert found.at(START_MS + 2000 * 60_000) == pytest.approx(12.2)
    assert found.at(START_MS) in {FILE_V, turned.volts_12}


def test_two_turns_are_two_stretches():
    log = series(cycles(20, 11.6), stands(3, 12.2), cycles(20, 11.6), stands(3, 12.5), cycles(20, 11.6))
    found, _ = threshold(log)
    assert [round(one.volts_12, 1) for one in found.turned] == [12.2, 12.5]
    assert found.turned[0].to_ms <= found.turned[1].from_ms


def test_a_cut_out_turned_down_is_what_forecasts_count_with_from_then_on():
    log = series(cycles(20, 12.3), stands(3, 10.8), cycles(10, 12.3), stands(4, 10.0))
    found, frame = threshold(log)
    assert found.volts_12 == pytest.approx(FILE_V)
    assert found.at(int(frame.t_ms[-1])) == pytest.approx(10.0)
    assert found.at(START_MS + 60_000) == pytest.approx(FILE_V)


def test_one_low_stop_turns_nothing():
    log = series(cycles(20, 12.3), stands(3, 10.8), cycles(10, 12.3), stands(1, 10.0))
    assert threshold(log)[0].turned == ()


def test_stops_in_a_turned_stretch_are_told_as_limits_and_the_answer_says_so():
    log = series(cycles(40, 12.3), stands(3, 12.2))
    settings = settings_for(Story(), cutout_v=FILE_V)
    result = power(log, settings, as_of_ms=int(log.t_ms[-1]), food_limit_c=5.0)
    assert {event.cause for event in result.cutouts} == {"limits"}
    assert any("somebody turned it" in words for words in result.assumed)
