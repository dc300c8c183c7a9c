import numpy as np
import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.stops import stops_of
from services.analytics.power.thermostat import Band
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, settings_for

BAND = Band(-1.0, 1.0, 1.0, 0.3, learned=True)


def stops(on, cabinet, volts):
    t_ms = START_MS + np.arange(len(on), dtype=np.int64) * 60_000
    columns = {"compressor_on": on, "cabinet_c": cabinet, "battery_v": volts}
    series = Series(t_ms, {name: np.asarray(values, dtype=float) for name, values in columns.items()})
    frame = frame_of(series, settings_for(Story()), None)
    return stops_of(frame, runs_of(frame), BAND)


def test_a_start_is_late_from_where_two_samples_lie_past_the_band():
    on = [1, 1, *[0] * 20, 1]
    cabinet = [3.0, 2.0, *np.linspace(2.1, 6.0, 20), 6.0]
    found = stops(on, cabinet, [11.4, 11.4, *[12.0] * 20, 11.4])
    assert cabinet[found.late_at[0]] > 4.3 >= cabinet[found.late_at[0] - 1]
    assert found.late_ms[0] == (21 - found.late_at[0]) * 60_000
    assert found.late_v[0] == 12.0


def test_one_warm_sample_of_an_opened_lid_makes_no_start_late():
    found = stops([1, 0, 0, 0, 0, 1], [2, 2, 2.2, 6.0, 2.4, 3.0], [12, 12.4, 12.4, 12.4, 12.4, 12])
    assert found.late_at.tolist() == [-1]
    assert found.late_ms.tolist() == [0]


def test_what_the_voltage_falls_by_is_the_largest_of_the_last_few_stops():
    on, volts = [], []
    for sag in (0.2, 0.9, 0.3, 0.3, 0.3, 0.3, 0.3):
        on += [1, 1, 0, 0]
        volts += [12.5 - sag, 12.5 - sag, 12.5, 12.5]
    found = stops(on, [3.0] * len(on), volts)
    assert found.sag_v == pytest.approx([0.2, 0.9, 0.9, 0.9, 0.9, 0.9, 0.3])


def test_a_missing_voltage_leaves_what_it_fell_by_unknown():
    found = stops([1, 0, 0, 1], [3.0] * 4, [np.nan] * 4)
    assert np.isnan(found.sag_v).all()


def test_a_log_without_a_stop_has_none():
    assert stops([0, 0, 0], [3.0] * 3, [12.0] * 3).run.size == 0
