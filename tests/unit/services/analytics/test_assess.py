import json
from datetime import timedelta

import numpy as np
import pytest

from services.analytics.assess import assess, worst_between
from services.domain import Analysis, RejectedCell, SensorCheck, Verdict
from services.errors import ConfigurationError
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, Span, datetime_of
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, entry, every_minute, log, unit

FRIDGE = unit(classes=("cooked",), interval_s=60)
COLD = np.full(1440, 3.0)


def now(series):
    return int(series.t_ms[-1])


def test_a_unit_never_heard_is_no_data():
    found = assess(Series.empty(), FRIDGE, as_of_ms=MIDNIGHT_MS)
    assert found.verdict is Verdict.NO_DATA
    assert found.samples == 0
    assert found.start == found.to == found.as_of == MIDNIGHT_MS


def test_one_sample_is_enough_to_answer():
    series = every_minute([3.0])
    assert assess(series, FRIDGE, as_of_ms=now(series)).verdict is Verdict.OK


def test_a_cabinet_that_is_not_measured_is_unknown_although_rows_arrive():
    series = every_minute(np.full(200, 12.6), column="battery_v")
    found = assess(series, FRIDGE, as_of_ms=now(series))
    assert found.verdict is Verdict.HOLD
    assert entry(found, basis="modelled_food").minutes_unknown == 199
    assert entry(found, basis="modelled_food").peak_c is None


def test_later_rows_are_ignored_and_counted():
    series = every_minute(np.concatenate((COLD, np.full(500, 20.0))))
    at_ms = int(series.t_ms[1439])
    found = assess(series, FRIDGE, as_of_ms=at_ms, after_at=2)
    assert found.after_at == 502
    assert found.samples == 1440
    assert found.verdict is Verdict.OK


@pytest.mark.parametrize(
    ("minutes", "verdict"),
    [(3, Verdict.OK), (4, Verdict.NO_DATA), (119, Verdict.NO_DATA), (120, Verdict.HOLD)],
)
def test_silence_becomes_no_data_and_then_hold(minutes, verdict):
    series = every_minute(COLD)
    full = unit(classes=("red_meat",), interval_s=60, load_kg=40.0)
    found = assess(series, full, as_of_ms=now(series) + minutes * MINUTE_MS)
    assert found.verdict is verdict


def test_silence_in_which_samples_are_expected_stays_no_data():
    series = every_minute(COLD)
    as_of_ms = now(series) + 20 * HOUR_MS
    expected = (Span(now(series), as_of_ms),)
    found = assess(series, FRIDGE, as_of_ms=as_of_ms, expected=expected)
    assert found.verdict is Verdict.NO_DATA
    assert entry(found, basis="modelled_food").minutes_unknown == 0
    assert entry(found, basis="modelled_food").compliant == "unknown"


def test_a_cold_live_sample_after_a_stretch_still_expected_is_not_ok():
    series = log([(m, 3.0) for m in (*range(300), *range(900, 960))])
    expected = (Span(MIDNIGHT_MS + 299 * MINUTE_MS, MIDNIGHT_MS + 900 * MINUTE_MS),)
    assert assess(series, FRIDGE, as_of_ms=now(series), expected=expected).verdict is Verdict.NO_DATA
    assert assess(series, FRIDGE, as_of_ms=now(series)).verdict is Verdict.HOLD


def test_emptied_ends_the_clock():
    series = every_minute(np.concatenate((np.full(300, 12.0), np.full(1140, 3.0))))
    emptied_ms = MIDNIGHT_MS + 1300 * MINUTE_MS
    before = assess(series, FRIDGE, as_of_ms=now(series))
    after = assess(series, FRIDGE, as_of_ms=now(series), clock_from_ms=emptied_ms)
    assert before.verdict is Verdict.DISCARD_ADVISED
    assert after.verdict is Verdict.OK
    assert entry(after, basis="modelled_food").start == emptied_ms
    assert "no load-in recorded: the verdict clock covers the last 72 h" in before.assumed
    assert not any("load-in" in words for words in after.assumed)


def test_the_service_looks_back_a_week_and_a_log_as_far_as_it_goes():
    series = every_minute(np.full(20 * 1440, 3.0))
    as_of_ms = now(series)
    service = assess(series, FRIDGE, as_of_ms=as_of_ms)
    assert service.start == as_of_ms - as_of_ms % DAY_MS - 7 * DAY_MS
    whole = assess(series, FRIDGE, as_of_ms=as_of_ms, offline=True)
    assert whole.start == series.t_ms[0]
    assert entry(whole, basis="modelled_food").start == as_of_ms - 72 * HOUR_MS
    assert entry(whole, basis="cabinet").start == series.t_ms[0]


def test_a_log_and_the_service_give_the_same_clock():
    rng = np.random.default_rng(11)
    air = 4.0 + np.cumsum(rng.normal(0, 0.05, 12 * 1440)) % 4
    series = every_minute(air)
    service = entry(assess(series, FRIDGE, as_of_ms=now(series)), basis="modelled_food")
    offline = entry(assess(series, FRIDGE, as_of_ms=now(series), offline=True), basis="modelled_food")
    assert service == offline
    assert service.minutes_above > 0


def test_a_unit_heard_before_the_series_begins_has_unknown_time():
    series = every_minute(np.full(60, 3.0))
    found = assess(series, FRIDGE, as_of_ms=now(series), heard_from_ms=MIDNIGHT_MS - 30 * DAY_MS)
    assert found.verdict is Verdict.HOLD
    assert entry(found, basis="modelled_food").minutes_unknown == 72 * 60 - 59


def test_a_coarse_log_is_watch_at_best():
    series = log([(m, 3.0) for m in range(0, 1440, 40)])
    found = assess(series, unit(classes=("cooked",)), as_of_ms=now(series), offline=True)
    assert found.verdict is Verdict.WATCH
    assert "too coarsely" in found.verdict_why


def test_a_stuck_cabinet_is_unknown_and_never_good():
    minute = np.arange(1440)
    air = np.round(3 + np.sin(minute / 5), 1)
    air[600:] = 3.0
    series = Series(
        MIDNIGHT_MS + minute * MINUTE_MS, {"cabinet_c": air, "compressor_on": (minute % 30 < 12) * 1.0}
    )
    found = assess(series, FRIDGE, as_of_ms=now(series))
    assert found.verdict is Verdict.HOLD
    assert entry(found, basis="modelled_food").minutes_unknown > 800
    assert [f.flag for f in found.sensors] == ["stuck"]


def test_everything_assumed_is_named_once():
    found = assess(every_minute(COLD), unit(offset_c=-0.7), as_of_ms=MIDNIGHT_MS + 1439 * MINUTE_MS)
    assert len(set(found.assumed)) == len(found.assumed)
    for part in ("class unknown", "rules za-r638-2018", "interval 60 s", "0.7 K low", "72 h"):
        assert any(part in words for words in found.assumed), part
    high = assess(every_minute(COLD), unit(offset_c=0.7), as_of_ms=MIDNIGHT_MS + 1439 * MINUTE_MS)
    assert any("0.7 K high: not taken off" in words for words in high.assumed)


def test_rejected_cells_pass_through_and_json_reads_back():
    cell = RejectedCell(line=17, column="battery_v", reason="not a number")
    series = every_minute(np.concatenate((COLD, np.full(100, 9.0))))
    found = assess(series, FRIDGE, as_of_ms=now(series), rejected=(cell,))
    text = json.dumps(found.model_dump(mode="json", by_alias=True))
    assert Analysis.model_validate_json(text) == found
    assert found.rejected == (cell,)


def test_one_entry_per_rule_limit_and_basis():
    series = every_minute(COLD - 24)
    freezer = unit("freezer", classes=("frozen_other",), rules=("za-r638-2018", "fsis"))
    found = assess(series, freezer, as_of_ms=now(series))
    keys = [(e.rule, e.limit_c, e.basis) for e in found.exposure]
    assert len(set(keys)) == len(keys)
    assert [e.limit_c for e in found.exposure if e.rule is None] == [-18, -15, -12, -5, 0]
    assert all(e.verdict is None and e.verdict_reason for e in found.exposure if e.rule is None)


def test_an_unknown_rule_is_a_fault_of_the_configuration():
    with pytest.raises(ConfigurationError, match="no rule named"):
        assess(every_minute(COLD), unit(rules=("made-up",)), as_of_ms=MIDNIGHT_MS)


def test_worst_between_finds_what_now_no_longer_shows():
    warm = np.full(8 * 1440, 3.0)
    warm[1440 : 1440 + 300] = 12.0
    series = every_minute(warm)
    fridge = unit(classes=("cooked",), interval_s=60)
    assert assess(series, fridge, as_of_ms=now(series)).verdict is Verdict.OK
    verdict, at_ms, why = worst_between(series, fridge, from_ms=int(series.t_ms[0]), to_ms=now(series))
    assert verdict is Verdict.DISCARD_ADVISED
    assert MIDNIGHT_MS + DAY_MS + 4 * HOUR_MS <= at_ms <= MIDNIGHT_MS + DAY_MS + 6 * HOUR_MS
    assert "5 °C" in why
    assert assess(series, fridge, as_of_ms=at_ms).verdict is verdict
    assert assess(series, fridge, as_of_ms=at_ms - 1).verdict is Verdict.HOLD


def test_worst_between_sees_the_end_of_a_silence_that_is_over():
    series = log([(m, 3.0) for m in (*range(60), *range(200, 260))])
    verdict, at_ms, _ = worst_between(series, FRIDGE, from_ms=MIDNIGHT_MS, to_ms=now(series))
    assert verdict is Verdict.HOLD
    assert at_ms == MIDNIGHT_MS + 200 * MINUTE_MS - 1
    expected = (Span(MIDNIGHT_MS + 59 * MINUTE_MS, MIDNIGHT_MS + 200 * MINUTE_MS),)
    spared, _, _ = worst_between(series, FRIDGE, from_ms=MIDNIGHT_MS, to_ms=now(series), expected=expected)
    assert spared is Verdict.NO_DATA


def test_worst_between_watches_air_that_stands_warm_before_food_is():
    air = np.full(200, 3.0)
    air[100:] = 5.2
    fridge = unit(classes=("cooked",), interval_s=60, load_kg=12)
    series = every_minute(air)
    verdict, at_ms, why = worst_between(
        series, fridge, from_ms=MIDNIGHT_MS, to_ms=MIDNIGHT_MS + 131 * MINUTE_MS
    )
    assert (verdict, at_ms) == (Verdict.WATCH, MIDNIGHT_MS + 130 * MINUTE_MS)
    assert why.startswith("Cabinet air above 5 °C")


def test_worst_between_believes_a_person_about_an_empty_unit():
    series = every_minute(np.full(600, 20.0))
    found = worst_between(series, unit(state="empty"), from_ms=MIDNIGHT_MS, to_ms=now(series))
    assert found == (Verdict.OK, MIDNIGHT_MS, "empty, said by a person")


@pytest.mark.parametrize("state", ["off", "bench"])
def test_a_unit_switched_off_is_not_called_good_for_what_may_lie_in_it(state):
    series = every_minute(COLD)
    settings = unit(state=state)
    assert assess(series, settings, as_of_ms=now(series)).verdict is Verdict.NO_DATA
    found = worst_between(series, settings, from_ms=MIDNIGHT_MS, to_ms=now(series))
    assert found[0] is Verdict.NO_DATA


def test_a_span_that_ends_before_it_starts_is_the_callers_fault():
    with pytest.raises(ValueError, match="ends before"):
        worst_between(every_minute(COLD), FRIDGE, from_ms=10, to_ms=9)


def test_a_probe_logged_at_its_own_pace_is_judged_by_its_own_interval():
    minute = np.arange(600)
    product = np.where(minute % 10 == 0, 3.0, np.nan)
    series = Series(
        MIDNIGHT_MS + minute * MINUTE_MS, {"cabinet_c": 3 + np.sin(minute / 5), "product_c": product}
    )
    logged = unit(classes=("cooked",), position="product")
    at_ms = MIDNIGHT_MS + 590 * MINUTE_MS
    assert entry(assess(series, logged, as_of_ms=at_ms, offline=True), basis="probe").minutes_unknown == 0
    assert entry(assess(series, logged, as_of_ms=at_ms), basis="probe").minutes_unknown == 590


def test_time_before_the_looked_at_week_is_not_unknown_on_the_cabinets_clock():
    end = MIDNIGHT_MS
    times = np.arange(end - 7 * DAY_MS, end + 1, MINUTE_MS, dtype=np.int64)
    series = Series(times, {"cabinet_c": np.full(times.size, 2.0)})
    result = assess(series, FRIDGE, as_of_ms=end, heard_from_ms=end - 30 * DAY_MS)
    assert entry(result, basis="cabinet", rule="za-r638-2018").minutes_unknown == 0.0


def ice(reading_c, minute, channel="cabinet"):
    return SensorCheck(
        at=datetime_of(MIDNIGHT_MS) + timedelta(minutes=minute), reading_c=reading_c, channel=channel
    )


def test_checks_in_ice_move_the_minutes_and_are_named():
    series = every_minute(np.full(400, 4.5))
    found = assess(series, FRIDGE, as_of_ms=now(series), checks=[ice(-0.8, 100)])
    assert entry(found, basis="cabinet").minutes_above == pytest.approx(299.375)
    (words,) = [w for w in found.assumed if "melting ice" in w or "K low" in w]
    assert words == "the cabinet sensor reads 0.8 K low: added to every reading from 2025-10-10T01:40:00Z"


def test_a_failed_check_later_that_day_raises_what_an_earlier_moment_came_to():
    series = every_minute(np.full(400, 4.5))
    span = {"from_ms": MIDNIGHT_MS, "to_ms": now(series)}
    assert worst_between(series, FRIDGE, **span)[0] is Verdict.OK
    verdict, at_ms, _ = worst_between(series, FRIDGE, **span, checks=[ice(0.0, 10), ice(-1.4, 399)])
    assert verdict is Verdict.DISCARD_ADVISED
    assert at_ms < now(series)
    later = {"from_ms": MIDNIGHT_MS, "to_ms": MIDNIGHT_MS + 300 * MINUTE_MS}
    assert worst_between(series, FRIDGE, **later, checks=[ice(-1.4, 399)])[0] is Verdict.OK


def test_cold_limits_of_a_two_sided_sensor_are_told_once_and_marks_too():
    series = every_minute(np.full(200, 2.5))
    box = unit(classes=("medicine",), interval_s=60)
    plain = assess(series, box, as_of_ms=now(series))
    high = assess(series, box, as_of_ms=now(series), checks=[ice(0.9, 0)])
    key = [sorted((e.rule or "", e.limit_c, e.basis) for e in a.exposure) for a in (plain, high)]
    assert key[0] == key[1]
    assert entry(high, basis="cabinet", limit_c=2.0).peak_c == pytest.approx(1.6)
    worst = worst_between(series, box, from_ms=MIDNIGHT_MS, to_ms=now(series), checks=[ice(0.9, 0)])
    assert worst[0] is high.verdict is Verdict.HOLD
    cold_room = unit("freezer", classes=("medicine",), interval_s=60)
    frozen = assess(series, cold_room, as_of_ms=now(series), checks=[ice(0.9, 0)])
    marks = [e.limit_c for e in frozen.exposure if e.rule is None]
    assert len(marks) == len(set(marks)) == 5


def test_mean_kinetic_temperature_is_told_of_medicine_only():
    series = every_minute(np.full(200, 4.5))
    box = assess(series, unit(classes=("medicine",), interval_s=60), as_of_ms=now(series))
    assert box.mean_kinetic_c == pytest.approx(4.5)
    other = assess(series, FRIDGE, as_of_ms=now(series))
    assert (other.mean_kinetic_c, other.mean_kinetic_c_reason) == (None, "told of medicine only")
    never = assess(Series.empty(), unit(classes=("medicine",)), as_of_ms=MIDNIGHT_MS)
    assert never.mean_kinetic_c_reason == "nothing measured"
    probed = Series(series.t_ms, {**series.columns, "product_c": np.full(200, 6.0)})
    near = unit(classes=("medicine",), interval_s=60, position="product")
    assert assess(probed, near, as_of_ms=now(series)).mean_kinetic_c == pytest.approx(6.0)
    told = json.loads(box.model_dump_json(by_alias=True))
    assert "mean_kinetic_c_reason" not in told
