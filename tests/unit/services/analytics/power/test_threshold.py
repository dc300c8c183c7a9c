import numpy as np
import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.thermostat import band_of
from services.analytics.power.threshold import Threshold, threshold_of
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, played, settings_for


def threshold(series, settings, reported_v=None):
    frame = frame_of(series, settings, None)
    runs = runs_of(frame)
    return threshold_of(frame, runs, band_of(frame, runs), settings, reported_v)


def cycles(*, lifts):
    """Two ordinary days at 12.4 V under load, then three stops mid-run at 12.2 V and long stands."""
    on, cabinet, volts = [], [], []
    for _ in range(40):
        on += [1] * 15 + [0] * 30
        cabinet += [*np.linspace(4.0, 2.0, 15), *np.linspace(2.0, 4.0, 30)]
        volts += [12.4] * 15 + [12.7] * 30
    for _ in range(3):
        on += [1] * 5 + [0] * 120
        cabinet += [*np.linspace(8.0, 5.0, 5), *np.linspace(5.0, 9.0, 120)]
        volts += [12.2] * 5 + [12.6] * 115 + [13.4 if lifts else 12.6] * 5
    on.append(1)
    cabinet.append(9.0)
    volts.append(12.9)
    t_ms = START_MS + np.arange(len(on), dtype=np.int64) * 60_000
    columns = {"compressor_on": on, "cabinet_c": cabinet, "battery_v": volts}
    return Series(t_ms, {name: np.asarray(values, dtype=float) for name, values in columns.items()})


def test_a_cut_out_turned_up_is_seen_where_every_start_waited_for_the_voltage():
    found = threshold(cycles(lifts=True), settings_for(Story(), cutout_v=10.8))
    assert found.origin == "file"
    (turned,) = found.turned
    assert turned.volts_12 == pytest.approx(12.2)
    assert found.at(turned.from_ms - 1) == pytest.approx(10.8)


def test_a_machine_that_trips_and_starts_at_any_voltage_turns_no_cut_out():
    found = threshold(cycles(lifts=False), settings_for(Story(), cutout_v=10.8))
    assert found.turned == ()


def test_what_the_unit_reports_is_at_its_own_nominal_voltage():
    story = Story(days=0.2, nominal_v=24, cutout_v=22.8, restart_v=25.0)
    assert threshold(played(story), settings_for(story), 21.4) == Threshold(10.7, "unit")
