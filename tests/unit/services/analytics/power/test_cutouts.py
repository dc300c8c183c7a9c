import numpy as np
import pytest

from services.analytics.power.cutouts import (
    Threshold,
    cut_out_now,
    events_of,
    is_low,
    stopped_share_mask,
    threshold_of,
)
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.thermostat import band_of
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, played, settings_for


def found(story, settings=None, *, as_of_ms=None, reported_v=None, **more):
    settings = settings_for(story) if settings is None else settings
    series = played(story)
    series = Series(series.t_ms, {**series.columns, **{k: f(series) for k, f in more.items()}})
    frame = frame_of(series, settings, None)
    runs = runs_of(frame)
    band = band_of(frame, runs)
    threshold = threshold_of(frame, runs, band, settings, reported_v)
    as_of_ms = int(series.t_ms[-1]) if as_of_ms is None else as_of_ms
    events = events_of(frame, runs, band, threshold, as_of_ms=as_of_ms, has_battery=settings.has_battery)
    return frame, threshold, events


def minute(t_ms):
    return (t_ms - START_MS) / 60_000


def test_a_healthy_unit_has_none_although_it_stops_all_day():
    frame, _, events = found(Story(days=2, soc=0.99, ambient_c=25))
    assert np.sum(np.diff(frame.on.astype(int)) == -1) > 40
    assert events == ()


def test_a_flat_battery_is_one_event_that_begins_within_a_sample_and_still_stands():
    story = Story(days=3, soc=0.5)
    _, _, events = found(story)
    (event,) = events
    truth, resumed = story.stops[0]
    assert resumed is None
    assert event.kind == "low_voltage"
    assert 0 <= minute(event.start_ms) - minute(truth) <= 2
    assert event.end_ms is None
    assert cut_out_now(events) is event


def test_it_ends_when_cooling_resumes():
    story = Story(days=4, soc=0.4, charge_a=lambda m: 20.0 if 3800 < m < 4400 else 0.0)
    _, _, events = found(story)
    (event,) = events
    assert minute(event.end_ms) == pytest.approx(minute(story.stops[0][1]), abs=2)
    assert cut_out_now(events) is None


def test_attempts_are_merged_into_the_event_they_belong_to():
    _, _, events = found(Story(days=2, soc=0.95, path_ohm=0.32, restart_v=11.9))
    (event,) = events
    assert event.attempts > 50
    assert event.attempt_ms > 0


@pytest.mark.parametrize("level", [0.15, 0.2, 0.25])
def test_thermostat_stops_just_above_the_cut_out_are_none(level):
    story = Story(days=0.4, soc=level + 0.1, cutout_v=10.0, capacity_ah=400)
    settings = settings_for(story, cutout_v=11.2)
    frame, threshold, events = found(story, settings)
    assert is_low(frame.volts_12[frame.on], threshold).any()
    assert events == ()


def test_a_stop_whose_restart_was_never_seen_counts_from_where_the_thermostat_would_have_started():
    minutes = np.arange(0, 600)
    cycle = minutes % 40
    on = (cycle < 10) & (minutes < 450)
    cabinet = np.where(cycle < 10, 4 - 0.2 * cycle, 2 + (cycle - 10) / 15)
    after = minutes >= 450
    cabinet = np.where(after, 2 + (minutes - 450) / 15, cabinet)
    volts = np.where(on, np.where(minutes >= 400, 11.45, 12.3), 12.0)
    settings = settings_for(Story())
    series = Series(
        START_MS + minutes.astype(np.int64) * 60_000,
        {"compressor_on": on.astype(float), "cabinet_c": cabinet, "battery_v": volts},
    )
    frame = frame_of(series, settings, None)
    runs = runs_of(frame)
    band = band_of(frame, runs)
    events = events_of(
        frame, runs, band, Threshold(11.4, "file"), as_of_ms=int(series.t_ms[-1]), has_battery=True
    )
    (event,) = events
    assert minute(event.start_ms) == pytest.approx(480, abs=3)


def test_a_terminal_voltage_of_nothing_is_an_interrupted_supply():
    _, _, events = found(Story(days=1, plugged=lambda m: not 600 < m < 700))
    (event,) = events
    assert event.kind == "interrupted"
    assert minute(event.start_ms) == pytest.approx(601, abs=1)
    assert minute(event.end_ms) == pytest.approx(700, abs=2)


def test_a_gap_behind_which_the_cabinet_is_warm_is_a_silence_with_a_stop():
    gone = lambda m: not 600 < m < 800  # noqa: E731
    _, _, events = found(Story(days=1, plugged=gone, heard=gone))
    (event,) = events
    assert event.kind == "silence"
    assert minute(event.start_ms) == 600


def test_a_gap_behind_which_the_cabinet_is_cold_is_nothing():
    _, _, events = found(Story(days=1, heard=lambda m: not 600 < m < 800))
    assert events == ()


def test_silence_after_a_low_voltage_under_load_is_a_probable_stop_and_after_a_high_one_is_not():
    story = Story(days=3, soc=0.5)
    played(story)
    cut = minute(story.stops[0][0])
    later = START_MS + 3 * 86_400_000
    _, _, events = found(Story(days=3, soc=0.5, heard=lambda m: m < cut), as_of_ms=later)
    assert [event.kind for event in events] == ["silence"]
    assert events[0].end_ms is None
    hour_later = START_MS + (cut + 60) * 60_000
    _, _, soon = found(Story(days=3, soc=0.5, heard=lambda m: m < cut), as_of_ms=hour_later)
    assert soon == ()  # packs may come by the hour
    _, _, none = found(Story(days=1, soc=0.9, heard=lambda m: m < 605), as_of_ms=later)
    assert none == ()


def test_a_short_trip_at_normal_voltage_is_none_and_a_long_stand_is_the_units_own():
    _, _, short = found(Story(days=1, tripped=lambda m: 600 < m < 660))
    assert short == ()
    _, _, long = found(Story(days=1, tripped=lambda m: 600 < m < 900))
    assert [event.kind for event in long] == ["unit"]


def test_a_trip_the_unit_reports_is_none_however_low_the_voltage():
    story = Story(days=3, soc=0.5)
    faults = {"fault": lambda s: np.full(s.t_ms.shape, "over_temperature", dtype=object)}
    _, _, events = found(story, **faults)
    assert all(event.kind not in ("low_voltage", "unit") for event in events)


def test_samples_that_begin_in_the_middle_of_a_stop_show_it():
    _, _, events = found(Story(days=2, soc=0.1))
    assert [event.kind for event in events] == ["still"]
    assert events[0].end_ms is None


def test_without_a_battery_no_stop_is_a_low_voltage_stop():
    settings = settings_for(Story(), kind="mains")
    _, _, events = found(Story(days=3, soc=0.5), settings)
    assert all(event.kind != "low_voltage" for event in events)


def test_the_cut_out_is_taken_from_unit_then_file_then_own_cut_outs_then_default():
    deep = Story(days=5, soc=0.5, cutout_v=10.9, restart_v=12.0)
    bare = settings_for(Story(), cutout_v=None)
    assert found(deep, bare, reported_v=11.0)[1] == Threshold(11.0, "unit")
    observed = found(deep, bare)[1]
    assert observed.origin == "observed"
    assert observed.volts_12 == pytest.approx(10.9, abs=0.15)
    assert found(Story(days=1), bare)[1] == Threshold(11.4, "default")
    assert found(Story(days=1))[1] == Threshold(11.4, "file")


def test_a_unit_that_runs_below_the_files_cut_out_uses_what_is_observed_and_says_so():
    deep = Story(days=5, soc=0.5, cutout_v=10.9, restart_v=12.0)
    _, threshold, events = found(deep, settings_for(Story()))
    assert threshold.differs_from_file
    assert threshold.volts_12 == pytest.approx(10.9, abs=0.15)
    assert len(events) == 1


def test_time_inside_a_stop_is_marked_as_out_of_the_ordinary():
    story = Story(days=3, soc=0.5)
    frame, _, events = found(story)
    ordinary = stopped_share_mask(frame, events)
    first = np.flatnonzero(~ordinary)[0]
    assert frame.t_ms[first] == events[0].start_ms
    assert not ordinary[first:].any()


@pytest.mark.parametrize("interval_s", [30, 60, 300, 600])
@pytest.mark.parametrize("restart_v", [12.5, 11.7])
def test_one_stop_is_one_event_at_any_usual_interval(interval_s, restart_v):
    story = Story(days=2, soc=0.35, interval_s=interval_s, restart_v=restart_v, noise_v=0.02)
    _, _, events = found(story)
    (event,) = events
    assert event.end_ms is None
    late_ms = event.start_ms - story.stops[0][0]
    assert 0 <= late_ms <= 20 * 60_000 + interval_s * 1000


def test_attempts_begin_the_event_at_the_first_early_stop():
    story = Story(days=3, soc=0.5, restart_v=11.7)
    _, _, events = found(story)
    (event,) = events
    assert 0 <= minute(event.start_ms) - minute(story.stops[0][0]) <= 2
    assert event.attempts > 10
