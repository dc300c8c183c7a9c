"""How years are scored: what counts as found in time, as false, as told elsewhere."""

from dataclasses import replace

import pytest

from deploy.backtest_kinds import PART, WANTED
from deploy.backtest_service import Score, score, short_of
from deploy.backtest_service_report import lines
from deploy.backtest_told import Call, all_calls, calendar_calls, duty_calls, parts
from deploy.backtest_years import Fault, Look, UnitYear, Year
from services.domain import Bank, Finding, ServiceMark, Supply, Unit, UnitSettings
from services.timebase import DAY_MS
from tests.helpers.health_days import FIRST_MS, made_days, ramp

DAYS = 120
SETTINGS = UnitSettings.of(
    Unit(id="cold-1", kind="fridge", supply=Supply(bank="b-1")),
    bank=Bank(id="b-1", chemistry="agm", nominal_v=12, capacity_ah=100),
)
WEAKER = "cooling weaker than it was"


def at(day):
    return FIRST_MS + day * DAY_MS


def unit_year(faults=(), name="cold-1", marks=(), looks=(), **over):
    return UnitYear(name, SETTINGS, made_days(DAYS, **over), tuple(marks), tuple(faults), tuple(looks))


def year(*units):
    return Year(7, at(0), at(DAYS), units)


def scored(faults, *calls):
    one = unit_year(faults)
    own = Score("findings")
    own.take(year(one), one, calls)
    return own


def leak(begins=50, ends=None, risk=None):
    return Fault(
        "refrigerant_leak", "cold-1", at(begins), None if ends is None else at(ends), risk and at(risk)
    )


@pytest.mark.parametrize(("told", "in_time"), [(70, True), (77, True), (78, False), (90, False)])
def test_in_time_is_three_days_before_food_is_at_risk(told, in_time):
    own = scored([leak(risk=80)], Call(WEAKER, at(told), at(100)))
    assert own.judged[0].in_time is in_time
    assert own.share == float(in_time)
    assert own.false == []


def test_a_fault_that_never_put_food_at_risk_is_found_while_it_lasts_or_not_at_all():
    assert scored([leak(ends=90)], Call(WEAKER, at(89), at(95))).share == 1.0
    assert scored([leak(ends=90)], Call(WEAKER, at(92), at(95))).share == 0.0


def test_what_is_at_risk_within_three_days_stands_apart():
    own = scored([leak(risk=52), leak(begins=60, risk=100)], Call(WEAKER, at(70), at(100)))
    assert [each.too_fast for each in own.judged] == [True, False]
    assert own.share == 1.0


def test_the_wrong_words_do_not_find_a_fault_and_are_not_false_either():
    own = scored([leak()], Call("more voltage lost while it runs", at(70), at(100)))
    assert own.share == 0.0
    assert own.false == []


def test_a_call_out_without_a_fault_is_false_and_one_in_heavy_use_too():
    overload = Fault("overload", "cold-1", at(40), at(40), None)
    own = scored([overload], Call(WEAKER, at(41), at(50)))
    assert len(own.false) == 1
    assert own.false_a_year == pytest.approx(365.25 / DAYS)


def test_days_in_which_nothing_told_is_false_do_not_count_as_sound():
    own = scored([leak(begins=50, ends=60)])
    assert (own.unit_days, own.sound_days) == (DAYS, DAYS - 25)
    assert scored([Fault("overload", "cold-1", at(40), at(40), None)]).sound_days == DAYS


def test_the_right_part_is_named_first_among_others_or_not_at_all():
    right, wrong = PART["refrigerant_leak"], PART["worn_gasket"]
    for could_be, named in (
        ((right, wrong), (True, True)),
        ((wrong, right), (True, False)),
        ((wrong,), (False,) * 2),
    ):
        (one,) = scored([leak()], Call("warms faster", at(70), at(80), could_be)).judged
        assert (one.named, one.named_first) == named
        assert (one.call, one.some_in_time) == (None, True)


def test_every_fault_asked_for_has_a_part_of_its_own_words():
    assert set(PART) == set(WANTED)


@pytest.mark.parametrize(
    ("hot_day", "wait", "words"),
    [
        (90, (80, 95), "given a date 1; the early end no later than the plant's 1; within the range 1"),
        (90, (80, 85), "given a date 1; the early end no later than the plant's 1; within the range 0"),
        (90, (95, None), "given a date 1; the early end no later than the plant's 0; within the range 0"),
        (90, (None, None), "given a date 0; the early end no later than the plant's 0"),
        (60, (70, 70), "given a date 1; the early end no later than the plant's 1; within the range 1"),
    ],
)
def test_dates_are_held_against_the_plants_own(hot_day, wait, words):
    fault = replace(leak(), hot_day=at(hot_day))
    ends = tuple(None if day is None else at(day) for day in wait)
    own = scored([fault], Call(WEAKER, at(70), at(80), wait_ms=ends))
    assert words in "\n".join(lines([own, own]))


def test_what_stood_before_a_fault_has_not_found_it():
    own = scored([leak()], Call(WEAKER, at(45), at(70)))
    assert own.share == 0.0
    assert len(own.false) == 1


def test_what_chance_would_have_found_is_read_from_units_sound_in_those_days():
    own = Score("findings")
    units = [unit_year([leak()]), *(unit_year(name=f"cold-{k}") for k in (2, 3))]
    told = [[Call(WEAKER, at(60), at(70))], [Call(WEAKER, at(65), at(66), presses=False)], []]
    for one, calls in zip(units, told, strict=True):
        own.take(year(*units), one, calls)
    assert (own.share, own.by_chance) == (1.0, 0.5)


def test_false_findings_that_press_nobody_are_counted_apart():
    quiet = Call(WEAKER, at(20), at(30), presses=False)
    own = scored([], quiet, Call(WEAKER, at(60), at(61)))
    assert own.false_a_year == own.quiet_a_year == pytest.approx(365.25 / DAYS)
    assert parts([quiet], presses=True) == []


def test_faults_that_are_told_elsewhere_are_listed():
    own = scored([Fault("sensor_drift", "cold-1", at(40), at(60), None)], Call(WEAKER, at(50), at(55)))
    assert (own.false, [kind for _, kind, _ in own.other]) == ([], ["sensor_drift"])


def test_a_fleet_is_scored_against_both_baselines():
    begins, mended = 50, 95
    fading = ramp(DAYS, begins=begins, grows=30, to=0.7)
    fading[mended:] = 1.0
    faulty = unit_year(
        [leak(begins=begins, ends=mended, risk=90)],
        marks=[ServiceMark(at=at(mended), kind="service")],
        cooling=fading,
        current=ramp(DAYS, begins=begins, grows=30, to=0.8),
    )
    sound = [unit_year(name=f"cold-{k}", seed=k) for k in (2, 3)]
    scores = score([year(faulty, *sound)])
    own, pressing, *_, duty, calendar = scores
    assert own.share == pressing.share == 1.0
    assert pressing.false == []
    assert duty.share == 0.0
    assert calendar.false_a_year == pytest.approx(2 * 365.25 / (3 * DAYS - 60))
    assert short_of(scores) == ()
    report = "\n".join(lines(scores))
    assert "seeds: 7" in report
    assert "  refrigerant_leak       1   1   1   1  1 (1)  cooling weaker x1" in report
    assert "food at risk, told three days before: 1/1 = 1.00" in report


def test_targets_that_are_missed_are_named():
    own = scored([leak()], Call(WEAKER, at(10), at(20)))
    better = scored([leak()], Call(WEAKER, at(60), at(80)))
    better.baseline = True
    missed = short_of((own, better))
    assert [words.split(" ")[0] for words in missed] == ["found", "false", "findings"]


def test_a_fault_of_a_bank_counts_once_found_by_its_first_unit():
    worn = Fault("weak_battery", "b-1", at(40), None, None)
    units = [unit_year([worn], name=f"cold-{k}") for k in (1, 2, 3)]
    told = Call("more voltage lost while it runs", at(60), at(70))
    own = Score("findings")
    for one, calls in zip(units, ([], [told], [Call(told.finding, at(80), at(90))]), strict=True):
        own.take(year(*units), one, calls)
    assert [judged.days_to_find for judged in own.judged] == [20.0]


def test_call_outs_are_told_once_from_the_first_day_to_the_last():
    weaker = unit_year(cooling=ramp(DAYS, begins=60, grows=0, to=0.6))
    ((_, calls),) = all_calls(year(weaker))
    (call,) = parts(calls, presses=True)
    assert at(62) <= call.first_ms <= at(67)
    assert call.last_ms == at(DAYS)


def within_a_week(name, *, call_out):
    return Finding(
        finding=name, since=at(0), evidence=(), check="", due=None, due_reason="", call_out=call_out
    )


def test_what_a_week_of_samples_says_is_told_too_and_again_within_a_fortnight_is_the_same():
    found = (within_a_week("repeated cut-outs", call_out=True),)
    looks = [Look(at(day), found if day in {14, 28, 63} else ()) for day in range(7, DAYS, 7)]
    ((_, calls),) = all_calls(year(unit_year(looks=looks)))
    told = [call for call in calls if not call.weeks]
    assert [(call.first_ms, call.last_ms) for call in told] == [(at(14), at(28)), (at(63), at(63))]
    assert parts(calls, weeks=True) == [call for call in calls if call not in told]


def test_the_baselines_call_as_they_say():
    working = unit_year(warming=ramp(DAYS, begins=30, grows=0, to=2.5))
    ((_, calls),) = duty_calls(year(working))
    assert at(32) <= calls[0].first_ms <= at(40)
    ((_, dates),) = calendar_calls(year(working))
    assert [call.first_ms for call in dates] == [at(90)]
