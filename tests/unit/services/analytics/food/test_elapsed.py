import pytest

from services.analytics.food.elapsed import buffet, thaw, time_control
from services.domain import Verdict

MINUTE = 60_000


def rows(*points):
    return [(minute * MINUTE, core_c) for minute, core_c in points]


def out(before, minutes, **options):
    return buffet(minutes_before=before, started_ms=0, as_of_ms=minutes * MINUTE, **options)


def test_the_next_step_of_a_buffet_is_told_with_its_time():
    first = out(30, 10)
    assert (first.verdict, first.next_at) == (Verdict.WATCH, 90 * MINUTE)
    assert "back into the cold" in first.next_words
    second = out(30, 100)
    assert (second.verdict, second.next_at) == (Verdict.HOLD, 210 * MINUTE)
    assert "may not go back" in second.why
    assert out(30, 211).reached_at == 210 * MINUTE


def test_what_was_just_taken_out_is_all_right():
    assert out(0, 0).verdict is Verdict.OK


def test_heat_leaves_an_hour_and_vulnerable_guests_no_time_to_use_it_up():
    assert out(0, 60, hot=True).verdict is Verdict.HOLD
    assert "32.2 °C" in out(0, 60, hot=True).source
    assert out(0, 120, vulnerable=True).verdict is Verdict.DISCARD_ADVISED
    assert out(0, 60, hot=True, vulnerable=True).verdict is Verdict.DISCARD_ADVISED
    assert out(0, 119, vulnerable=True).next_words == "discard"


def test_put_back_the_minutes_stay_and_no_time_is_running():
    found = out(0, 500, ended_ms=90 * MINUTE)
    assert (found.minutes, found.verdict, found.next_at) == (90, Verdict.WATCH, None)
    assert out(90, 40).verdict is Verdict.HOLD


def test_time_alone_needs_a_procedure_a_reading_and_cold_food():
    options = {"removed_ms": 0, "as_of_ms": 60 * MINUTE, "marked": True}
    assert time_control(rows((0, 4)), written_procedure=False, **options).verdict is None
    assert "nobody measured" in time_control([], written_procedure=True, **options).why
    assert "above 5 °C" in time_control(rows((0, 5.1)), written_procedure=True, **options).why
    found = time_control(rows((0, 4)), written_procedure=True, **options)
    assert (found.verdict, found.next_at) == (Verdict.WATCH, 240 * MINUTE)


def test_six_hours_unwatched_are_held_after_four():
    options = {"removed_ms": 0, "written_procedure": True, "marked": True, "six_hours": True}
    found = time_control(rows((0, 4)), as_of_ms=241 * MINUTE, **options)
    assert found.verdict is Verdict.HOLD
    watched = time_control(rows((0, 4), (200, 15)), as_of_ms=241 * MINUTE, **options)
    assert watched.verdict is Verdict.WATCH
    assert time_control(rows((0, 4)), as_of_ms=10 * MINUTE, **(options | {"marked": False})).minutes == 10


def test_thawing_in_the_cold_has_no_clock():
    found = thaw(rows((0, -5), (60, 2)), as_of_ms=90 * MINUTE, ready_to_eat=False)
    assert (found.verdict, found.minutes, found.next_at) == (Verdict.OK, 0, None)


def test_thawed_parts_that_are_warm_now_have_an_end():
    found = thaw(rows((0, 5), (60, 6)), as_of_ms=120 * MINUTE, ready_to_eat=False)
    assert found.minutes == pytest.approx(120)
    assert found.next_at == 240 * MINUTE
    assert found.verdict is Verdict.WATCH


def test_thawing_nobody_measures_is_watched():
    assert thaw([], as_of_ms=0, ready_to_eat=True).verdict is Verdict.WATCH


def test_time_alone_ends_at_its_hours_or_when_it_gets_too_warm():
    options = {"removed_ms": 0, "written_procedure": True, "marked": True}
    ended = time_control(rows((0, 4)), as_of_ms=240 * MINUTE, **options)
    assert (ended.verdict, ended.reached_at, ended.next_words) == (
        Verdict.DISCARD_ADVISED,
        240 * MINUTE,
        "discard",
    )
    warm = time_control(rows((0, 5), (100, 25)), as_of_ms=100 * MINUTE, six_hours=True, **options)
    assert (warm.verdict, warm.reached_at) == (Verdict.DISCARD_ADVISED, 80 * MINUTE)
    unmarked = time_control(rows((0, 4)), as_of_ms=MINUTE, **(options | {"marked": False}))
    assert unmarked.verdict is Verdict.DISCARD_ADVISED


def test_thawed_too_long_is_discarded_and_warm_ready_to_eat_food_is_held():
    long = thaw(rows((0, 6)), as_of_ms=240 * MINUTE, ready_to_eat=False)
    assert (long.verdict, long.next_at) == (Verdict.DISCARD_ADVISED, None)
    assert thaw(rows((0, 6)), as_of_ms=MINUTE, ready_to_eat=True).verdict is Verdict.HOLD
    assert thaw(rows((0, 5)), as_of_ms=MINUTE, ready_to_eat=True).verdict is Verdict.OK
