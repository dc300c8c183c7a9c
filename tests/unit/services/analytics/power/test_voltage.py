import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.voltage import believed, doubts_of
from services.telemetry import Series
from services.timebase import DAY_MS
from tests.helpers.made_supply import Story, played, settings_for


def with_volts(series, volts):
    return Series(series.t_ms, {**series.columns, "battery_v": volts})


def answer(series, settings):
    return power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)


@pytest.fixture(scope="module")
def story():
    return Story(days=2, soc=0.95)


@pytest.fixture(scope="module")
def sound(story):
    return played(story)


def test_a_sound_reading_is_never_doubted(sound, story):
    result = answer(sound, settings_for(story))
    assert result.sensors == ()
    assert result.runout.hours_p50 is not None


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_a_reading_of_half_or_twice_the_scale_is_flagged_and_nothing_is_built_on_it(sound, story, ratio):
    volts = sound.numbers("battery_v") * ratio
    result = answer(with_volts(sound, volts), settings_for(story))
    (flag,) = result.sensors
    assert (flag.channel, flag.flag, flag.start, flag.end) == ("battery", "scaled", int(sound.t_ms[0]), None)
    assert result.cutouts is None
    assert result.runout.reason == "not_enough_data"
    assert result.battery.state_of_charge is None
    for words in (
        result.cutouts_reason,
        result.battery.state_of_charge_reason,
        result.runout.hours_p10_reason,
    ):
        assert "another scale" in words


def test_a_bank_of_24_v_read_as_12_may_be_tapped_at_one_half(sound):
    settings = settings_for(Story(nominal_v=24))
    result = answer(sound, settings)
    assert [flag.flag for flag in result.sensors] == ["scaled"]
    assert "one half" in result.runout.hours_p50_reason


def test_a_reading_that_stands_still_while_the_machine_turns_is_stuck(sound, story):
    stuck = np.full(len(sound), 12.6)
    result = answer(with_volts(sound, stuck), settings_for(story))
    assert [flag.flag for flag in result.sensors] == ["stuck"]
    assert "12.6 V to the last digit" in result.runout.hours_p10_reason
    assert result.battery.source_resistance_ohm is None


def test_a_reading_that_was_stuck_and_lives_again_is_used_again(sound, story):
    volts = sound.numbers("battery_v").copy()
    volts[: volts.size // 2] = 12.6
    result = answer(with_volts(sound, volts), settings_for(story))
    (flag,) = result.sensors
    assert flag.end is not None
    assert result.cutouts is not None
    assert result.runout.reason != "not_enough_data"


def test_a_scale_that_goes_wrong_in_the_middle_is_doubted_from_that_day_on():
    t_ms = np.arange(0, 4 * DAY_MS, 600_000, dtype=np.int64)
    on = np.arange(t_ms.size) % 6 < 3
    volts = np.where(t_ms < 2 * DAY_MS, 12.4, 6.2) + 0.01 * (np.arange(t_ms.size) % 7)
    (doubt,) = doubts_of(t_ms, volts, on)
    assert (doubt.flag, doubt.last) == ("scaled", t_ms.size - 1)
    assert t_ms[doubt.first] == 2 * DAY_MS
    assert np.isnan(believed(volts, (doubt,))[doubt.first :]).all()


def test_a_day_that_says_nothing_goes_with_the_doubted_ones_around_it():
    t_ms = np.arange(0, 3 * DAY_MS, 600_000, dtype=np.int64)
    on = (np.arange(t_ms.size) % 6 < 3) & (t_ms // DAY_MS != 1)
    volts = 6.2 + 0.01 * (np.arange(t_ms.size) % 7)
    (doubt,) = doubts_of(t_ms, volts, on)
    assert (doubt.first, doubt.last) == (0, t_ms.size - 1)


def test_a_supply_that_is_away_is_no_wrong_scale():
    story = Story(days=2, plugged=lambda m: not 600 < m < 1800)
    result = answer(played(story), settings_for(story))
    assert result.sensors == ()
    assert [event.cause for event in result.cutouts] == ["supply_interrupted"]


def test_without_any_voltage_a_stand_is_nobodys_fault_yet(sound, story):
    off = np.where(np.arange(len(sound)) > 2000, 0.0, sound.numbers("compressor_on"))
    volts = sound.numbers("battery_v").copy()
    volts[1500:] = np.nan
    cabinet = sound.numbers("cabinet_c") + np.clip(np.arange(len(sound)) - 2000, 0, None) * 0.01
    changed = Series(sound.t_ms, {"compressor_on": off, "battery_v": volts, "cabinet_c": cabinet})
    (event,) = answer(changed, settings_for(story)).cutouts
    assert event.cause == "unknown"
    assert "no voltage is known" in event.why


def test_attempts_on_a_bank_that_collapses_are_no_wrong_scale():
    t_ms = np.arange(0, 2 * DAY_MS, 60_000, dtype=np.int64)
    on = np.arange(t_ms.size) % 20 < 2
    volts = np.where(on, 6.0, 11.0) + 0.01 * (np.arange(t_ms.size) % 7)
    assert doubts_of(t_ms, volts, on) == ()
