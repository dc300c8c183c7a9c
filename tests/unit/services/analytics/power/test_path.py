import numpy as np
import pytest

from services.analytics.power.curves import CURVES
from services.analytics.power.path import Path, bank_ohm, path_before, sound_ohm
from services.analytics.power.resistance import Steps
from services.timebase import HOUR_MS
from tests.helpers.made_supply import START_MS, Story, settings_for

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
