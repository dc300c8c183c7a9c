from datetime import timedelta

import numpy as np
import pytest

from services.analytics.quality import gap_limit_ms, interval_s, judged, merged
from services.domain import SensorCheck
from services.telemetry import Series
from services.timebase import datetime_of
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, every_minute, log, unit

GAP_MS = 3.0 * MINUTE_MS


def rows(*values, column="cabinet_c"):
    """Return rows that all share one time, then an ordinary one."""
    t_ms = np.array([MIDNIGHT_MS] * len(values) + [MIDNIGHT_MS + MINUTE_MS], dtype=np.int64)
    kind = object if column == "supply" else float
    return Series(t_ms, {column: np.array([*values, values[0]], dtype=kind)})


def flags(series, settings=None, **options):
    return judged(series, settings or unit(), gap_ms=options.pop("gap_ms", GAP_MS), **options).flags


def test_strictly_increasing_times_pass_through_untouched():
    series = every_minute([1, 2, 3])
    assert merged(series) == (series, ())


def test_exact_repeats_are_dropped():
    found, conflicts = merged(rows(4.1, 4.1, 4.1))
    assert found.numbers("cabinet_c").tolist() == [4.1, 4.1]
    assert conflicts == ()


def test_rows_of_one_time_give_the_midpoint_of_lowest_and_highest():
    found, conflicts = merged(rows(4.0, 4.1, 4.4))
    assert found.numbers("cabinet_c")[0] == pytest.approx(4.2)
    assert conflicts == ()


@pytest.mark.parametrize(
    ("column", "apart", "flagged"),
    [
        ("cabinet_c", 0.5, False),
        ("cabinet_c", 0.501, True),
        ("battery_v", 0.1, False),
        ("battery_v", 0.101, True),
        ("current_a", 3.0, False),
    ],
)
def test_rows_further_apart_than_the_mark_contradict_each_other(column, apart, flagged):
    _, conflicts = merged(rows(4.1, 4.1 + apart, column=column))
    assert [f.flag for f in conflicts] == (["conflict"] if flagged else [])


def test_a_missing_cell_beside_a_measured_one_is_no_conflict():
    found, conflicts = merged(rows(np.nan, 4.0))
    assert found.numbers("cabinet_c")[0] == 4.0
    assert conflicts == ()


def test_true_wins_and_texts_do_not_depend_on_order():
    assert merged(rows(0.0, 1.0, column="compressor_on"))[0].numbers("compressor_on")[0] == 1.0
    for said in (("solar", "engine", None), (None, "engine", "solar")):
        assert merged(rows(*said, column="supply"))[0].texts("supply")[0] == "engine"


@pytest.mark.parametrize(
    ("interval", "limit_min"),
    [(60, 3), (300, 15), (600, 30), (900, 30), (1500, 30), (1800, 33), (3600, 66)],
)
def test_the_gap_limit_is_three_intervals_but_hardly_more_than_half_an_hour(interval, limit_min):
    assert gap_limit_ms(interval) == pytest.approx(limit_min * MINUTE_MS)


def test_a_person_may_give_another_gap_limit():
    assert gap_limit_ms(60, 7200) == 7200_000


def test_the_interval_is_given_or_the_median_of_a_log_or_a_minute():
    series = log([(0, 4), (10, 4), (20, 4), (90, 4)])
    assert interval_s(series, "cabinet_c", unit(interval_s=120), offline=True) == (120.0, None)
    seconds, words = interval_s(series, "cabinet_c", unit(), offline=True)
    assert seconds == 600
    assert words is not None
    assert "median" in words
    assert interval_s(series, "cabinet_c", unit(), offline=False)[0] == 60
    assert interval_s(log([(0, 4)]), "cabinet_c", unit(), offline=True)[0] == 60


def test_a_reading_no_sensor_can_give_is_not_judged():
    values = np.full(30, 3.0)
    values[10], values[20] = -127.0, 85.0
    series = every_minute(values)
    found = judged(series, unit(), gap_ms=GAP_MS)
    assert np.flatnonzero(np.isnan(found.cabinet_c)).tolist() == [10, 20]
    assert [(f.channel, f.flag) for f in found.flags] == [("cabinet", "out_of_range")] * 2


def test_a_leap_there_and_back_is_shown_but_still_judged():
    values = np.full(30, 3.0)
    values[10] = 20.0
    found = judged(every_minute(values), unit(), gap_ms=GAP_MS)
    assert [f.flag for f in found.flags] == ["jump"]
    assert found.cabinet_c[10] == 20.0


def test_long_silence_is_missing_and_a_short_one_is_not():
    points = [(m, 3.0) for m in (*range(10), *range(35, 40), *range(90, 95))]
    (flag,) = flags(log(points))
    assert (flag.flag, flag.start, flag.end) == (
        "missing",
        MIDNIGHT_MS + 39 * MINUTE_MS,
        MIDNIGHT_MS + 90 * MINUTE_MS,
    )


def test_a_cabinet_that_is_never_measured_is_missing_until_now():
    series = every_minute(np.full(60, 12.6), column="battery_v")
    (flag,) = flags(series)
    assert (flag.channel, flag.flag, flag.end) == ("cabinet", "missing", None)
    assert flag.end_reason


def test_air_that_stands_still_through_many_compressor_cycles_is_stuck():
    minute = np.arange(600)
    moving = 3 + np.sin(2 * np.pi * minute / 30)
    moving[200:500] = 3.7
    t_ms = MIDNIGHT_MS + minute * MINUTE_MS
    on = (minute % 30 < 12).astype(float)
    series = Series(t_ms, {"cabinet_c": np.round(moving, 1), "compressor_on": on})
    found = judged(series, unit(), gap_ms=GAP_MS)
    (flag,) = [f for f in found.flags if f.flag == "stuck"]
    assert abs(flag.start - t_ms[200]) <= 3 * MINUTE_MS
    assert abs((flag.end or 0) - t_ms[499]) <= 3 * MINUTE_MS
    assert np.isnan(found.cabinet_c[205:495]).all()
    assert np.isfinite(found.cabinet_c[:195]).all()


def test_steady_air_that_nothing_contradicts_is_believed():
    assert flags(every_minute(np.full(3000, 3.0))) == ()


@pytest.mark.parametrize(
    ("held_c", "hours", "on_every", "ambient_c", "stuck"),
    [
        (3.0, 7, 0, None, True),
        (3.0, 7, 0, 30.0, True),
        (3.0, 5, 0, None, False),
        (3.0, 7, 181, None, False),
        (3.0, 7, 0, 4.0, False),
        (0.0, 7, 0, None, False),
    ],
)
def test_air_that_never_warms_while_nothing_cools_it_is_stuck(held_c, hours, on_every, ambient_c, stuck):
    minute = np.arange(hours * 60)
    columns = {
        "cabinet_c": np.full(minute.size, held_c),
        "compressor_on": (minute % on_every == 0).astype(float) if on_every else np.zeros(minute.size),
    }
    if ambient_c is not None:
        columns["ambient_c"] = np.full(minute.size, ambient_c)
    series = Series(MIDNIGHT_MS + minute * MINUTE_MS, columns)
    assert bool([f for f in flags(series) if f.flag == "stuck"]) is stuck


def test_food_that_nears_steady_air_does_not_call_it_stuck():
    minute = np.arange(600)
    t_ms = MIDNIGHT_MS + minute * MINUTE_MS
    series = Series(
        t_ms, {"cabinet_c": np.full(600, 3.0), "product_c": np.round(3 + 9 * np.exp(-minute / 200), 1)}
    )
    assert flags(series) == ()


@pytest.mark.parametrize(("ends_c", "stuck"), [(4.4, True), (3.8, False)])
def test_food_that_moves_away_from_steady_air_calls_it_stuck(ends_c, stuck):
    minute = np.arange(300)
    t_ms = MIDNIGHT_MS + minute * MINUTE_MS
    series = Series(t_ms, {"cabinet_c": np.full(300, 3.0), "product_c": np.linspace(3.1, ends_c, 300)})
    assert bool([f for f in flags(series) if f.flag == "stuck"]) is stuck


@pytest.mark.parametrize(("swing_k", "stuck"), [(3.2, True), (2.8, False)])
def test_an_evaporator_that_swings_beside_steady_air_calls_it_stuck(swing_k, stuck):
    minute = np.arange(300)
    t_ms = MIDNIGHT_MS + minute * MINUTE_MS
    plate = np.where(minute % 20 < 10, -8.0, -8.0 + swing_k)
    series = Series(t_ms, {"cabinet_c": np.full(300, 3.0), "evaporator_c": plate})
    assert bool([f for f in flags(series) if f.flag == "stuck"]) is stuck


def test_a_probe_that_ignores_warm_air_is_stuck_but_a_thawing_one_is_not():
    minute = np.arange(300)
    t_ms = MIDNIGHT_MS + minute * MINUTE_MS
    for held_c, stuck in ((2.0, True), (-1.0, False)):
        series = Series(t_ms, {"cabinet_c": 12 + np.sin(minute / 9), "product_c": np.full(300, held_c)})
        assert bool([f for f in flags(series) if f.flag == "stuck"]) is stuck


def test_only_a_sensor_that_reads_low_is_corrected():
    series = every_minute([4.0, 4.1])
    low = judged(series, unit(offset_c=-0.8), gap_ms=GAP_MS)
    assert low.cabinet_c.tolist() == [4.8, 4.9]
    assert low.correction_k == 0.8
    assert judged(series, unit(offset_c=0.8), gap_ms=GAP_MS).cabinet_c.tolist() == [4.0, 4.1]


def test_an_empty_series_has_nothing_to_flag():
    assert flags(Series.empty()) == ()


def check(reading_c, minute, channel="cabinet"):
    return SensorCheck(
        at=datetime_of(MIDNIGHT_MS) + timedelta(minutes=minute), reading_c=reading_c, channel=channel
    )


def test_checks_of_the_unit_file_and_of_people_are_taken_together():
    series = every_minute(np.full(30, 4.0))
    settings = unit()
    own = settings.unit.sensor.model_copy(update={"checks": (check(-0.4, 10),)})
    settings = settings.model_copy(update={"unit": settings.unit.model_copy(update={"sensor": own})})
    found = judged(series, settings, gap_ms=GAP_MS, checks=[check(-0.8, 20)])
    assert [found.cabinet_c[k] for k in (9, 10, 19, 20)] == [4.0, 4.4, 4.4, 4.8]
    assert found.correction_k == 0.8
    assert len(found.told) == 2


def test_readings_for_cold_limits_are_lowered_where_the_sensor_reads_high_and_never_raised():
    series = every_minute(np.full(30, 3.0))
    high = judged(series, unit(offset_c=0.7), gap_ms=GAP_MS)
    assert (high.cabinet_c[0], high.cabinet_cold_c[0], high.two_sided) == (3.0, 2.3, True)
    low = judged(series, unit(offset_c=-0.7), gap_ms=GAP_MS)
    assert (low.cabinet_c[0], low.cabinet_cold_c[0], low.two_sided) == (3.7, 3.0, True)
    assert not judged(series, unit(), gap_ms=GAP_MS).two_sided


def test_a_check_of_the_probe_moves_the_probe_alone():
    series = every_minute(np.full(30, 3.0))
    series = Series(series.t_ms, {**series.columns, "product_c": np.full(30, 2.0)})
    found = judged(series, unit(), gap_ms=GAP_MS, checks=[check(-1.5, 10, "product")])
    assert (found.cabinet_c[20], found.product_c[20], found.product_c[0]) == (3.0, 3.5, 3.5)
    assert [(f.channel, f.flag, f.end) for f in found.flags] == [("product", "check_failed", None)]


def test_a_check_of_a_probe_nobody_has_changes_and_tells_nothing():
    found = judged(every_minute(np.full(30, 3.0)), unit(), gap_ms=GAP_MS, checks=[check(-1.5, 10, "product")])
    assert (found.flags, found.told) == ((), ())


def test_a_check_made_after_the_moment_is_not_known():
    series = every_minute(np.full(30, 3.0))
    found = judged(series, unit(), gap_ms=GAP_MS, checks=[check(-1.5, 25)], as_of_ms=MIDNIGHT_MS)
    assert found.correction_k == 0.0


def test_a_bad_contact_and_a_wandering_probe_are_flagged():
    rng = np.random.default_rng(3)
    trembling = judged(every_minute(3 + rng.normal(0, 1, 120)), unit(), gap_ms=GAP_MS)
    assert {f.flag for f in trembling.flags} == {"jump"}
    assert np.isfinite(trembling.cabinet_c).all()
    days = np.arange(8 * 1440) / 1440
    series = every_minute(3 + np.sin(days * 200))
    apart = Series(series.t_ms, {**series.columns, "product_c": np.round(3 - 0.1 * days, 2)})
    (flag,) = flags(apart)
    assert (flag.channel, flag.flag, flag.end) == ("cabinet", "drift", None)
