import numpy as np
import pytest

from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import (
    charge_state,
    drawn_ah,
    load_a,
    measured_capacity_ah,
    rests,
    soc_quantiles,
)
from services.analytics.power.frame import frame_of, runs_of
from services.domain import Unit, UnitSettings
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.made_supply import START_MS, Story, played, settings_for


def state_of(story, settings=None, **more):
    settings = settings_for(story) if settings is None else settings
    series = played(story)
    series = Series(series.t_ms, {**series.columns, **more})
    frame = frame_of(series, settings, None)
    capacity = capacity_of(settings, as_of_ms=int(series.t_ms[-1]))
    return charge_state(frame, runs_of(frame), settings, capacity)


def true_soc(story):
    on = played(story).columns["compressor_on"]
    return story.soc - float(np.sum(on[:-1])) * story.running_a / 60 / story.capacity_ah


@pytest.mark.parametrize("soc", [0.9, 0.7, 0.5])
def test_the_true_charge_lies_in_the_range_of_a_resting_lead_acid_bank(soc):
    story = Story(days=1, soc=soc)
    found = state_of(story).quantiles
    assert found.p10 < true_soc(story) < found.p90
    assert 0.1 < found.p90 - found.p10 < 0.35


def test_no_number_of_rest_readings_makes_the_table_sharper_than_its_spread():
    assert state_of(Story(days=4, soc=0.99, ambient_c=25)).soc_sd >= 0.06


def test_a_full_charge_resets_and_counting_goes_on_from_there():
    story = Story(days=1.5, soc=0.8, charge_a=lambda m: 20.0 if 200 < m < 800 else 0.0)
    state = state_of(story)
    assert state.full_ms.size == 1
    assert (int(state.full_ms[0]) - START_MS) / 60_000 == pytest.approx(800, abs=2)
    on = played(story).columns["compressor_on"]
    since = float(np.sum(on[801:-1])) * story.running_a / 60 / (0.997 * story.capacity_ah)
    assert state.soc == pytest.approx(1.0 - since, abs=0.05)
    assert not state.charging_now


def test_lithium_on_its_plateau_keeps_a_wide_range():
    state = state_of(Story(days=0.5, soc=0.6, chemistry="lifepo4"))
    assert state.quantiles.p90 - state.quantiles.p10 > 0.4


def test_without_capacity_or_chemistry_there_is_no_charge_but_a_reason():
    bare = UnitSettings.of(Unit(id="unit-1", kind="fridge", interval_s=60))
    state = state_of(Story(days=0.5), bare)
    assert state.quantiles is None
    assert "chemistry or capacity" in state.reason


def test_nothing_to_count_from_is_said_and_not_guessed():
    story = Story(days=0.05, charge_a=lambda _m: 12.0)
    state = state_of(story)
    assert state.quantiles is None
    assert "neither" in state.reason


def test_with_a_panel_only_nights_are_read():
    story = Story(days=1)
    frame = frame_of(played(story), settings_for(story), None)
    runs = runs_of(frame)
    nothing = np.zeros(len(frame), dtype=bool)
    everything = rests(frame, runs, settings_for(story), nothing)
    nights = rests(frame, runs, settings_for(story, panel_wp=100.0), nothing)
    hours = frame.t_ms[nights.at] // HOUR_MS % 24
    assert 0 < nights.at.size < everything.at.size
    assert np.all((hours >= 19) | (hours < 5))


def test_a_broken_connection_is_no_rest():
    story = Story(days=0.3, plugged=lambda m: m < 200)
    frame = frame_of(played(story), settings_for(story), None)
    found = rests(frame, runs_of(frame), settings_for(story), np.zeros(len(frame), dtype=bool))
    assert np.all(frame.volts_12[found.at] > 9)


def test_units_on_one_bank_and_its_other_load_are_counted():
    settings = settings_for(Story(other_a=0.5)).model_copy(update={"units_on_bank": 3})
    series = played(Story(days=0.1))
    frame = frame_of(series, settings, None)
    amps = load_a(frame, settings)
    assert set(np.round(amps, 6)) == {0.5, 13.1}


def test_across_a_gap_the_mean_current_is_taken():
    settings = settings_for(Story())
    t_ms = np.array([0, 1, 2, 3, 63, 64], dtype=np.int64) * 60_000
    frame = frame_of(Series(t_ms, {"compressor_on": np.array([1.0, 0, 1, 0, 1, 0])}), settings, None)
    ah = drawn_ah(frame, load_a(frame, settings))
    assert ah[-1] == pytest.approx((3 * 4.2 + 60 * 4.2 * 3 / 4) / 60)


def test_capacity_is_measured_between_rests_and_shows_a_weak_battery():
    strong = Story(days=2, soc=0.95)
    weak = Story(days=1, soc=0.95, capacity_ah=40.0)
    for story, expected in ((strong, 100.0), (weak, 40.0)):
        frame = frame_of(played(story), settings_for(Story()), None)
        assert measured_capacity_ah(frame, runs_of(frame), settings_for(Story())) == pytest.approx(
            expected, rel=0.12
        )


def test_lithium_capacity_is_not_read_from_rests():
    story = Story(days=2, soc=0.95, chemistry="lifepo4")
    frame = frame_of(played(story), settings_for(story), None)
    assert measured_capacity_ah(frame, runs_of(frame), settings_for(story)) is None


def test_ranges_stay_between_nothing_and_full():
    assert soc_quantiles(0.05, 0.2).p10 == 0.0
    assert soc_quantiles(0.95, 0.2).p90 == 1.0
