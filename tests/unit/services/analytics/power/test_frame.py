import numpy as np
import pytest

from services.analytics.power.frame import frame_of, gap_limit_ms, held_forward, runs_of
from services.domain import Supply, Unit, UnitSettings
from services.telemetry import Series
from tests.helpers.made_supply import Story, played, settings_for

PLAIN = UnitSettings.of(Unit(id="unit-1", kind="fridge", set_point_c=3.0, interval_s=60))


def series(minutes, on, **columns):
    t_ms = np.array([round(m * 60_000) for m in minutes], dtype=np.int64)
    return Series(t_ms, {"compressor_on": np.array(on, dtype=float), **columns})


def test_samples_without_a_compressor_state_are_left_out():
    frame = frame_of(series([0, 1, 2], [1, np.nan, 0]), PLAIN, None)
    assert frame.t_ms.tolist() == [0, 120_000]
    assert frame.on.tolist() == [True, False]


def test_voltages_of_a_24_v_unit_are_halved():
    settings = UnitSettings.of(Unit(id="unit-1", kind="fridge", interval_s=60, supply=Supply(nominal_v=24)))
    frame = frame_of(series([0], [1], battery_v=np.array([25.0])), settings, None)
    assert frame.volts_12.tolist() == [12.5]


def test_the_reported_set_point_wins_over_the_file_and_holds_until_the_next_report():
    cabinet, reported = np.array([5.0, 5.0, 5.0]), np.array([np.nan, 4.0, np.nan])
    frame = frame_of(series([0, 1, 2], [1, 1, 1], cabinet_c=cabinet, set_point_c=reported), PLAIN, None)
    assert frame.above_set_k.tolist() == [2.0, 1.0, 1.0]


def test_the_gap_limit_is_the_one_asked_for_else_three_intervals_else_three_spacings():
    log = series([0, 5, 10, 60], [1, 1, 1, 1])
    unsaid = UnitSettings.of(Unit(id="unit-1", kind="fridge"))
    assert gap_limit_ms(log, PLAIN, 600.0) == 600_000
    assert gap_limit_ms(log, PLAIN, None) == 180_000
    assert gap_limit_ms(log, unsaid, None) == 900_000
    assert gap_limit_ms(series([0], [1]), unsaid, None) == 180_000


def test_runs_end_at_a_change_and_at_a_gap_and_only_a_change_joins():
    runs = runs_of(frame_of(series([0, 1, 2, 3, 10, 11], [1, 1, 0, 0, 0, 1]), PLAIN, None))
    assert runs.first.tolist() == [0, 2, 4, 5]
    assert runs.last.tolist() == [1, 3, 4, 5]
    assert runs.on.tolist() == [True, False, False, True]
    assert runs.joined.tolist() == [True, False, True, False]
    assert (runs.end_ms / 60_000).tolist() == [2, 3, 11, 11]


def test_a_state_holds_until_the_next_sample_and_not_across_a_gap():
    frame = frame_of(series([0, 1, 10, 12], [1, 1, 1, 1]), PLAIN, None)
    assert (frame.held_ms / 60_000).tolist() == [1, 0, 2, 0]


def test_supply_words_hold_until_the_next_word():
    words = np.array([None, "engine", None, "battery"], dtype=object)
    frame = frame_of(series([0, 1, 2, 3], [1, 1, 1, 1], supply=words), PLAIN, None)
    assert np.isnan(frame.fed[0])
    assert frame.fed[1:].tolist() == [1.0, 1.0, 0.0]


def test_an_empty_log_has_no_runs():
    frame = frame_of(Series.empty(), PLAIN, None)
    assert len(frame) == 0
    assert runs_of(frame).first.size == 0


def test_nan_before_the_first_number_becomes_the_start():
    assert held_forward(np.array([np.nan, 0.0, np.nan]), 7.0) == pytest.approx([7.0, 0.0, 0.0])


@pytest.mark.parametrize("factor", [2.0, 1000.0, float("inf")])
def test_a_voltage_no_battery_has_is_no_voltage(factor):
    series = played(Story(days=0.2))
    wrong = {**series.columns, "battery_v": series.numbers("battery_v") * factor}
    frame = frame_of(Series(series.t_ms, wrong), settings_for(Story()), None)
    assert len(frame) == len(series)
    assert not np.any(np.isfinite(frame.volts_12))


@pytest.mark.parametrize(("hours", "seen"), [(20.0, False), (6.0, True)])
def test_a_voltage_that_stands_still_while_the_machine_starts_and_stops_is_no_reading(hours, seen):
    series = played(Story(days=hours / 24.0))
    still = {**series.columns, "battery_v": np.full(len(series), 12.7)}
    frame = frame_of(Series(series.t_ms, still), settings_for(Story()), None)
    assert np.all(np.isfinite(frame.volts_12) == seen)


def test_a_voltage_may_stand_still_while_nothing_runs():
    series = played(Story(days=2))
    still = {"battery_v": np.full(len(series), 12.7), "compressor_on": np.zeros(len(series))}
    frame = frame_of(Series(series.t_ms, {**series.columns, **still}), settings_for(Story()), None)
    assert np.all(np.isfinite(frame.volts_12))


@pytest.mark.parametrize("amps", [0.0, -4.2, 0.0042, 4200.0])
def test_a_current_no_running_machine_draws_is_not_believed(amps):
    frame = frame_of(
        series([0, 1, 2, 3], [1, 0, 1, 1], current_a=np.array([amps, 0.0, amps, amps])), PLAIN, None
    )
    assert not np.any(np.isfinite(frame.current_a))
