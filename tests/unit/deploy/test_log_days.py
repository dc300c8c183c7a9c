from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboards.reports.contents import LimitRow, Regime
from deploy import log_days
from services.analytics.food.rules import limits_of
from services.domain import SensorFlag
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span, ms_of_iso
from tests.helpers.logs import unit

START = ms_of_iso("2026-03-01T00:00:00Z")
UTC = ZoneInfo("UTC")


def ground(cabinet_c, *, days=3, minutes=None, classes=("red_meat",), position="product"):
    minute = np.arange(days * 1440) if minutes is None else np.asarray(minutes)
    t_ms = START + minute.astype(np.int64) * MINUTE_MS
    settings = unit(classes=classes, position=position, interval_s=60)
    limits = tuple(
        LimitRow(w.rule, w.limit_c, w.below, w.hold_min, w.discard_min, w.source)
        for w in limits_of(settings).limits
    )
    span = Span(START, START + days * DAY_MS)
    series = Series(t_ms, {"cabinet_c": np.array([round(cabinet_c(int(m)), 3) for m in minute])})
    return log_days.Ground(series, (Regime(span, settings, limits),), span.end_ms, offline=False), span


def steady(minute):
    return 3.0 + 0.3 * np.sin(minute / 7)


def probe_lines(judged):
    return [line.exposure for day in judged.days for line in day.lines if line.exposure.basis == "probe"]


def test_days_are_cut_at_the_midnights_of_the_place_also_when_the_clocks_change():
    zone = ZoneInfo("Europe/London")
    spring = Span(ms_of_iso("2026-03-28T12:00:00Z"), ms_of_iso("2026-03-30T12:00:00Z"))
    days = log_days.local_days(spring, zone)
    assert [day.minutes for day in days] == [12 * 60, 23 * 60, 13 * 60]
    assert all(a.end_ms == b.start_ms for a, b in pairwise(days))
    autumn = Span(ms_of_iso("2026-10-25T00:00:00+01:00"), ms_of_iso("2026-10-26T00:00:00Z"))
    assert [day.minutes for day in log_days.local_days(autumn, zone)] == [25 * 60]


def test_a_period_that_ends_at_midnight_has_no_empty_day():
    days = log_days.local_days(Span(START, START + DAY_MS), UTC)
    assert days == [Span(START, START + DAY_MS)]


@pytest.mark.parametrize("around", [(1400, 1500), (1439, 1441), (1440, 1440), (1300, 1440), (1440, 1600)])
def test_minutes_beyond_a_limit_add_up_across_midnight(around):
    low, high = around
    field, span = ground(lambda m: 9.0 + 0.2 * np.sin(m / 7) if low <= m <= high else steady(m))
    judged = log_days.judge(field, span, UTC)
    passings = log_days.passings_of(judged.days, cabinet=False)
    whole = log_days.judge(
        log_days.Ground(field.series, field.regimes, field.printed_ms, offline=False),
        Span(START, START + 2 * DAY_MS),
        ZoneInfo("Etc/GMT-12"),  # its midnights lie elsewhere
    )
    assert sum(e.minutes_above for e in probe_lines(judged)) == pytest.approx(
        sum(e.minutes_above for e in probe_lines(whole)), abs=1e-4
    )
    (one,) = passings
    assert one.span.minutes == pytest.approx(sum(e.minutes_above for e in probe_lines(judged)), abs=1e-4)
    assert one.peak_c == pytest.approx(9.0, abs=0.25)


def test_a_gap_over_midnight_is_unknown_on_both_days_and_counted_once():
    minutes = [m for m in range(3 * 1440) if not 1400 < m < 1500]
    field, span = ground(steady, minutes=minutes)
    judged = log_days.judge(field, span, UTC)
    assert [round(day.silent_minutes, 6) for day in judged.days] == [40.0, 60.0, 0.0]
    assert [e.minutes_unknown for e in probe_lines(judged)] == pytest.approx([40.0, 60.0, 0.0], abs=1e-4)
    assert [e.compliant for e in probe_lines(judged)] == ["unknown", "unknown", "yes"]


def test_a_gap_over_midnight_with_both_ends_above_counts_as_above_on_both_days():
    minutes = [m for m in range(3 * 1440) if not 1400 < m < 1500]
    field, span = ground(lambda m: 8.0 + 0.1 * np.sin(m) if 1400 <= m <= 1500 else steady(m), minutes=minutes)
    entries = probe_lines(log_days.judge(field, span, UTC))
    assert [e.minutes_above for e in entries] == pytest.approx([40.0 + 0.6, 60.0 + 0.6, 0.0], abs=0.5)
    assert [e.minutes_unknown for e in entries] == pytest.approx([0.0, 0.0, 0.0], abs=1e-4)


def test_a_day_on_which_nothing_was_heard_is_unknown_whole():
    minutes = [m for m in range(9 * 1440) if m < 100 or m > 8 * 1440]
    field, _ = ground(steady, minutes=minutes, days=9)
    judged = log_days.judge(field, Span(START + 4 * DAY_MS, START + 5 * DAY_MS), UTC)
    (day,) = judged.days
    assert day.silent_minutes == 1440.0
    assert day.cabinet_c is None
    assert {line.exposure.minutes_unknown for line in day.lines} == {1440.0}
    assert {line.exposure.compliant for line in day.lines} == {"unknown"}


def test_without_any_reading_at_all_every_minute_is_unknown():
    field, span = ground(steady, minutes=[], days=2)
    judged = log_days.judge(field, span, UTC)
    assert [line.exposure.minutes_unknown for d in judged.days for line in d.lines] == [1440.0] * sum(
        len(d.lines) for d in judged.days
    )


def test_cabinet_air_is_counted_within_the_day_only():
    field, span = ground(lambda m: 7.0 if 1000 <= m < 1030 else steady(m), position="air")
    judged = log_days.judge(field, span, UTC)
    air = [line.exposure for d in judged.days for line in d.lines if line.exposure.basis == "cabinet"]
    assert [e.minutes_above for e in air] == pytest.approx([30.0, 0.0, 0.0], abs=1.0)
    assert [e.minutes_unknown for e in air] == [0.0, 0.0, 0.0]
    assert [e.compliant for e in air] == ["unknown", "yes", "yes"]  # air above a limit proves nothing of food


def test_hours_hold_the_lowest_mean_and_highest_and_how_many():
    field, span = ground(lambda m: 2.0 if m % 2 else 4.0, days=1)
    (day,) = log_days.judge(field, span, UTC).days
    assert len(day.hours) == 24
    assert {hour.readings for hour in day.hours} == {60}
    spread = day.hours[5].cabinet_c
    assert spread is not None
    assert (spread.lowest, spread.mean, spread.highest) == (2.0, 3.0, 4.0)
    assert day.hours[5].start_ms == START + 5 * HOUR_MS
    assert day.hours[5].running_share is None


def test_silence_is_told_before_the_first_and_after_the_last_reading():
    day = Span(START, START + DAY_MS)
    times = START + np.array([600, 601, 602], dtype=np.int64) * MINUTE_MS
    first, second = log_days.silent(times, day, 3 * MINUTE_MS)
    assert (first.minutes, second.minutes) == (600.0, 1440.0 - 602)
    assert log_days.silent(np.empty(0, dtype=np.int64), day, 3 * MINUTE_MS) == (day,)


def test_stretches_that_overlap_are_printed_once_with_every_limit_in_them():
    field, span = ground(
        lambda m: (
            4.5 + 0.2 * np.sin(m) if 100 <= m < 200 else 6.0 + 0.2 * np.sin(m) if m == 150 else steady(m)
        ),
        classes=("poultry",),
    )
    judged = log_days.judge(field, span, UTC)
    passings = log_days.passings_of(judged.days, cabinet=False)
    readings = log_days.Readings(field.series.t_ms, field.series.columns)
    (stretch,) = log_days.stretches_of(passings, readings, ())
    times = field.series.t_ms[stretch.first_reading : stretch.last_reading]
    assert times.size == 100
    assert stretch.span.start_ms <= times[0]
    assert times[-1] < stretch.span.end_ms


def test_flags_of_one_sensor_that_overlap_become_one():
    def flag(start, end, word="stuck"):
        return SensorFlag(
            channel="cabinet", flag=word, start=START + start, end=None if end is None else START + end
        )

    found = log_days.flags_of(
        [flag(0, 10), flag(5, 20), flag(30, None), flag(40, 50), flag(0, 5, "jump")],
        Span(START, START + DAY_MS),
    )
    assert [(f.flag, f.start - START, f.end if f.end is None else f.end - START) for f in found] == [
        ("jump", 0, 5),
        ("stuck", 0, 20),
        ("stuck", 30, None),
    ]
