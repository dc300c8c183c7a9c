import numpy as np
import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.resistance import (
    cable_ohm,
    expected_ohm,
    reading_step_v,
    source_resistance,
    stop_steps,
)
from services.domain import Compressor
from services.telemetry import Series
from tests.helpers.made_supply import Story, played, settings_for


def measured(story, settings=None, extra=None):
    settings = settings_for(story) if settings is None else settings
    series = played(story)
    if extra is not None:
        series = Series(series.t_ms, {**series.columns, **extra(series)})
    frame = frame_of(series, settings, None)
    return source_resistance(frame, stop_steps(frame, runs_of(frame), settings), settings)


@pytest.mark.parametrize("path_ohm", [0.03, 0.07, 0.2])
def test_the_path_and_the_battery_are_found_from_the_stops(path_ohm):
    found = measured(Story(days=1, path_ohm=path_ohm, step_v=0.001))
    assert found.ohm == pytest.approx(path_ohm + 0.009, abs=0.004)
    assert abs(found.ohm - path_ohm - 0.009) < 2 * found.sd_ohm


def test_a_24_v_unit_gives_ohms_of_the_real_volts():
    story = Story(
        days=1, nominal_v=24, cutout_v=22.8, restart_v=25.0, running_a=2.1, path_ohm=0.2, step_v=0.001
    )
    assert measured(story).ohm == pytest.approx(0.2 + 2 * 0.009, abs=0.008)


def test_a_coarse_reading_says_that_averaging_does_not_sharpen_it():
    assert measured(Story(days=1, step_v=0.1)).quantised
    assert not measured(Story(days=1, step_v=0.01, noise_v=0.02)).quantised


def test_stops_while_charging_are_left_out():
    always = measured(Story(days=1, soc=0.95, charge_a=lambda _m: 15.0))
    assert always.ohm is None
    assert "usable compressor stops" in always.reason


def test_a_variable_speed_unit_needs_its_current():
    story = Story(days=1)
    settings = settings_for(story)
    unit = settings.unit.model_copy(update={"compressor": Compressor(running_a=4.2, variable_speed=True)})
    variable = settings.model_copy(update={"unit": unit})
    assert measured(story, variable).reason == "variable speed and no current measured"
    with_current = measured(story, variable, extra=lambda s: {"current_a": 4.2 * s.columns["compressor_on"]})
    assert with_current.ohm == pytest.approx(0.079, abs=0.006)


def test_measured_current_wins_over_the_file():
    story = Story(days=1)
    wrong = settings_for(story).model_copy(update={"running_a": 8.4})
    found = measured(story, wrong, extra=lambda s: {"current_a": 4.2 * s.columns["compressor_on"]})
    assert found.ohm == pytest.approx(0.079, abs=0.006)


def test_too_few_stops_give_no_number_but_a_reason():
    found = measured(Story(days=0.05))
    assert found.ohm is None
    assert "3 needed" in found.reason


def test_expected_resistance_is_cable_joints_and_battery():
    settings = settings_for(Story())
    cable = cable_ohm(length_m=5, section_mm2=6, temperature_c=40)
    assert expected_ohm(settings) == pytest.approx(cable + 0.020 + 0.008)


def test_a_section_between_the_rows_goes_as_one_over_it():
    half, full = (cable_ohm(length_m=1, section_mm2=mm2, temperature_c=20) for mm2 in (4.0, 5.0))
    assert full == pytest.approx(half * 4 / 5, rel=0.07)


def test_the_reading_step_is_the_smallest_distance_between_readings():
    assert reading_step_v(np.array([12.0, 12.1, np.nan, 12.3])) == pytest.approx(0.1)
    assert reading_step_v(np.array([12.0])) == 0.001
