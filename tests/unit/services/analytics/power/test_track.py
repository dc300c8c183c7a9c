import numpy as np
import pytest

from services.analytics.power.charge import drawn_ah, load_a
from services.analytics.power.curves import CURVES
from services.analytics.power.frame import frame_of
from services.analytics.power.track import FINE_MS, STEP_MS, Rests, track_of
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.made_supply import Story, settings_for

START_MS = 20_000 * DAY_MS + 7 * HOUR_MS


def tracked(days=1.0, *, ambient_c=None, charging=None, rests=(), full=(), from_ms=None, every_min=1):
    settings = settings_for(Story())
    n = round(days * 1440 / every_min)
    t_ms = START_MS + np.arange(n, dtype=np.int64) * every_min * MINUTE_MS
    columns = {"compressor_on": (np.arange(n) % 40 < 15).astype(float), "battery_v": np.full(n, 12.5)}
    if ambient_c is not None:
        columns["ambient_c"] = np.full(n, float(ambient_c))
    frame = frame_of(Series(t_ms, columns), settings, 600.0 * every_min)
    at = np.array(rests, dtype=np.int64)
    found = Rests(at, np.full(at.size, 0.5), np.full(at.size, 0.08), np.zeros(at.size, dtype=bool))
    return track_of(
        frame,
        charging=np.zeros(n, dtype=bool) if charging is None else charging,
        full_ms=np.array(full, dtype=np.int64),
        found=found,
        ah=drawn_ah(frame, load_a(frame, settings)),
        capacity_ah=100.0,
        curve=CURVES["agm"],
        lithium=False,
        from_ms=from_ms,
        bank="bank",
        sunlit=lambda t_ms: np.zeros(t_ms.shape, dtype=bool),
    ), frame


def test_steps_lie_at_most_a_quarter_of_an_hour_apart_and_add_up():
    track, frame = tracked()
    assert np.max(np.diff(track.t_ms)) <= STEP_MS
    assert np.sum(track.hours) == pytest.approx((frame.t_ms[-1] - frame.t_ms[0]) / HOUR_MS)
    assert np.sum(track.used) == pytest.approx(4.2 * 15 / 40 * 24 / 100.0, rel=0.02)


def test_a_cold_bank_loses_a_larger_share_for_the_same_charge():
    warm, cold = (float(np.sum(tracked(ambient_c=c)[0].used)) for c in (25, 1.7))
    assert cold / warm == pytest.approx(1.35, rel=0.01)


def test_one_reading_an_hour_is_taken_the_last():
    track, frame = tracked(rests=[1, 20, 58, 61, 119])
    read = track.t_ms[np.isfinite(track.reading)]
    assert read.tolist() == frame.t_ms[[58, 119]].tolist()


def test_further_back_than_a_month_steps_and_readings_are_coarse():
    track, frame = tracked(40, every_min=10, rests=range(0, 5700, 6))
    old = track.t_ms < frame.t_ms[-1] - FINE_MS
    assert np.max(np.diff(track.t_ms[old])) > 2 * HOUR_MS
    assert np.sum(np.isfinite(track.reading[old])) == pytest.approx(4 * 10, abs=3)
    assert np.sum(np.isfinite(track.reading[~old])) == pytest.approx(24 * 30, abs=40)


def test_every_utc_day_start_is_a_mark():
    track, _ = tracked(3.0)
    assert (track.t_ms[track.starts_day] % DAY_MS).tolist() == [0, 0, 0]


def test_it_may_start_at_a_day_inside():
    day = START_MS - START_MS % DAY_MS + DAY_MS
    track, _ = tracked(2.0, from_ms=day)
    assert track.t_ms[0] == day
    assert not track.starts_day[0]
    assert track.hours[0] == 0.0


def test_charging_is_told_for_the_steps_in_it():
    flags = np.zeros(1440, dtype=bool)
    flags[300:600] = True
    track, frame = tracked(charging=flags)
    inside = (track.t_ms > frame.t_ms[300]) & (track.t_ms <= frame.t_ms[600])
    assert track.charging[inside].all()
    assert not track.charging[~inside].any()
