"""The timers of a batch, on lives made by hand."""

from services.analytics.food.batches import judge_batch
from services.analytics.food.batchtimers import timers_of, verdict_of
from services.domain import Verdict
from tests.helpers.batch_lives import MINUTE, NOON_MS, life, settings, steady


def timed(story, minute):
    as_of_ms = NOON_MS + minute * MINUTE
    found = judge_batch(story, {"box-a": steady(600, 3.0)}, as_of_ms=as_of_ms)
    timers = timers_of(story, found, as_of_ms=as_of_ms)
    return timers, verdict_of(found, timers)[0]


def test_food_in_a_cabinet_has_no_timer():
    assert timed(life(core_c=3.0), 60) == ((), Verdict.OK)


def test_food_standing_out_has_two_hours_and_then_two_more():
    out = life((60, "taken_out", {}), core_c=3.0)
    (timer,), verdict = timed(out, 90)
    assert (timer.kind, timer.next_at, verdict) == ("out", NOON_MS + 180 * MINUTE, Verdict.WATCH)
    (timer,), verdict = timed(out, 200)
    assert (timer.next_at, verdict) == (NOON_MS + 300 * MINUTE, Verdict.HOLD)
    assert timed(out, 300)[1] is Verdict.DISCARD_ADVISED


def test_the_second_time_out_goes_on_where_the_first_ended():
    story = life(
        (0, "taken_out", {}),
        (60, "put_back", {"unit": "box-a", "frozen": False, "probe_c": 3.5}),
        (120, "taken_out", {}),
        core_c=3.0,
    )
    (timer,), _ = timed(story, 130)
    assert abs(timer.next_at - (NOON_MS + 180 * MINUTE)) < MINUTE


def test_leftovers_have_to_be_cool_in_two_stages():
    hot = life((0, "cooling_started", {"probe_c": 70.0}))
    (timer,), verdict = timed(hot, 60)
    assert (timer.kind, verdict) == ("cooling", Verdict.WATCH)
    assert "21 °C" in timer.next_words
    assert timed(hot, 200)[1] is Verdict.HOLD


def test_thawing_is_a_reminder_until_it_is_measured_warm():
    story = life((1, "thawed", {"frozen": False}), frozen=True, food_class="frozen_other", core_c=-18.0)
    (timer,), verdict = timed(story, 60)
    assert (timer.kind, timer.verdict) == ("thawing", Verdict.WATCH)
    assert verdict is Verdict.OK


def test_what_is_gone_has_no_timer():
    assert timed(life((60, "taken_out", {}), (90, "served", {}), core_c=3.0), 100)[0] == ()


def test_time_control_has_a_timer_of_its_own_and_ends_in_discard():
    said = {"probe_c": 4.0, "time_control": "4h", "written_procedure": True, "marked": True}
    stew = life((60, "taken_out", said), core_c=3.0)
    fda = settings(rules=("fda-food-code-2022",))

    def at(minute, **more):
        as_of_ms = NOON_MS + minute * MINUTE
        found = judge_batch(stew, {"box-a": steady(600, 3.0, of=fda)}, as_of_ms=as_of_ms)
        timers = timers_of(stew, found, as_of_ms=as_of_ms, **more)
        return timers, verdict_of(found, timers)[0]

    (timer,), verdict = at(299)
    assert (timer.kind, timer.verdict, verdict) == ("time_control", Verdict.WATCH, Verdict.WATCH)
    assert timer.next_at == NOON_MS + 300 * MINUTE
    assert "3-501.19(B)" in timer.source
    (timer,), verdict = at(300)
    assert (timer.verdict, verdict) == (Verdict.DISCARD_ADVISED, Verdict.DISCARD_ADVISED)
    timers, verdict = at(190, vulnerable=True)
    assert [t.kind for t in timers] == ["time_control", "out"]
    assert verdict is Verdict.DISCARD_ADVISED
