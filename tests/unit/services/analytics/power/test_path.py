import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.curves import CURVES
from services.analytics.power.path import WORN_OHM, Path, bank_ohm, path_before, path_row, sound_ohm
from services.analytics.power.resistance import Steps
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.made_supply import START_MS, Story, played, settings_for

SETTINGS = settings_for(Story())
AGM = CURVES["agm"]


def steps(hours, ohm, volts):
    t_ms = START_MS + (np.asarray(hours) * HOUR_MS).astype(np.int64)
    return Steps(t_ms, np.asarray(ohm, dtype=float), np.asarray(volts, dtype=float))


def test_the_newest_charged_steps_speak_for_the_path():
    all_steps = steps(range(-48, 1, 4), [0.06] * 9 + [0.3] * 4, [12.7] * 13)
    found = path_before(all_steps, SETTINGS, AGM, at_ms=START_MS)
    assert found.ohm == pytest.approx(0.3)
    assert found.worn(1.0)


def test_older_steps_taken_fuller_tell_more_than_new_ones_at_low_charge():
    all_steps = steps(range(-40, 1, 4), [0.06] * 7 + [0.25] * 4, [12.7] * 7 + [11.8] * 4)
    found = path_before(all_steps, settings_for(Story(capacity_ah=40)), AGM, at_ms=START_MS)
    assert found.ohm == pytest.approx(0.06)
    assert not found.worn(1.0)


def test_later_steps_do_not_speak_for_an_earlier_stop():
    all_steps = steps([-3, -2, -1, 1, 2, 3], [0.06] * 3 + [0.3] * 3, [12.7] * 6)
    assert path_before(all_steps, SETTINGS, AGM, at_ms=START_MS).ohm == pytest.approx(0.06)


def test_few_steps_tell_nothing():
    assert path_before(steps([-1, -0.5], [0.3, 0.3], [12.7, 12.7]), SETTINGS, AGM, at_ms=START_MS) is None


def test_low_charge_excuses_more_since_a_worn_battery_runs_away_there():
    full = Path(ohm=0.16, expected_ohm=0.08, battery_ohm=0.01, steps=5)
    empty = Path(ohm=0.16, expected_ohm=0.08, battery_ohm=0.04, steps=5)
    assert full.worn(1.0)
    assert not empty.worn(1.0)
    assert not full.worn(2.0)


def test_a_24_v_bank_is_two_blocks_in_series():
    story = Story(nominal_v=24, cutout_v=22.8, restart_v=25.0, running_a=2.1)
    assert bank_ohm(12.5, settings_for(story), AGM) == pytest.approx(2 * bank_ohm(12.5, SETTINGS, AGM))
    assert sound_ohm(settings_for(story)) == pytest.approx(sound_ohm(SETTINGS))


def test_what_is_measured_at_both_ends_needs_no_allowance_for_the_battery():
    battery = {"ohm": 0.16, "expected_ohm": 0.08, "battery_ohm": 0.04, "steps": 5}
    assert Path(**battery, wires_ohm=0.12).worn(1.0)
    assert not Path(**battery, wires_ohm=0.05).worn(1.0)
    assert Path(**battery, wires_ohm=0.12).excess_ohm == pytest.approx(0.08)
    row = path_row(Path(**battery, wires_ohm=0.12), 1.0)
    assert (row.value, row.threshold) == (0.12, pytest.approx(0.04 + WORN_OHM))


def with_bank_voltage(story, *, offset_v=0.0):
    """A story read at both ends: the bank's end is the unit's plus what the path drops."""
    series = played(story)
    drop = story.path_ohm * story.running_a * series.numbers("compressor_on")
    bank_v = np.round(series.numbers("battery_v") + drop + offset_v, 2)
    return Series(series.t_ms, {**series.columns, "bank_v": bank_v})


@pytest.mark.parametrize("offset_v", [0.0, 0.15])
def test_cable_and_joints_are_told_from_the_battery_whatever_the_two_meters_differ_by(offset_v):
    story = Story(days=2, soc=0.95, path_ohm=0.1)
    series = with_bank_voltage(story, offset_v=offset_v)
    path = power(
        series, settings_for(story), as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0
    ).battery.supply_path
    assert path.wires_ohm == pytest.approx(0.1, abs=0.004)
    assert path.ohm > path.wires_ohm
    assert "Measured at both ends" in path.words


def test_a_worn_battery_behind_a_sound_cable_is_not_called_wiring_when_both_ends_are_measured():
    story = Story(days=4, soc=0.7, capacity_ah=14.0, path_ohm=0.04, cutout_v=11.0)
    settings = settings_for(Story())
    settings = settings.model_copy(update={"cutout_v": 11.0})
    series = with_bank_voltage(story)
    result = power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)
    assert result.cutouts
    assert "wiring" not in {event.cause for event in result.cutouts}


def test_a_corroded_path_measured_at_both_ends_is_called_so_with_its_row():
    story = Story(days=4, soc=0.95, path_ohm=0.32)
    series = with_bank_voltage(story)
    (event,) = power(series, settings_for(story), as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0).cutouts
    assert event.cause == "wiring"
    assert "both ends" in event.why
    assert any("both ends" in row.quantity for row in event.evidence)
