import pytest

from services.analytics.food.cooling import FOOD_CODE, FSANZ, cooling
from services.domain import Verdict

MINUTE = 60_000


def told(*points, as_of, started=None, rules=(FOOD_CODE,)):
    readings = [(minute * MINUTE, core_c) for minute, core_c in points]
    started_ms = None if started is None else started * MINUTE
    return cooling(readings, as_of_ms=as_of * MINUTE, started_ms=started_ms, rules=rules)


def test_it_runs_until_the_next_goal_is_due():
    found = told((0, 57), (30, 40), as_of=60)
    assert (found.outcome, found.verdict) == ("running", Verdict.WATCH)
    assert found.next_at == 120 * MINUTE
    assert "21 °C or less" in found.next_words


def test_after_the_first_goal_the_second_is_next():
    found = told((0, 57), (90, 20), as_of=100)
    assert (found.outcome, found.next_at) == ("running", 360 * MINUTE)
    assert "5 °C or less" in found.next_words
    assert told((0, 60), (90, 21), as_of=100, rules=(FSANZ,)).next_at == (90 + 240) * MINUTE


def test_nobody_measured_in_time_is_not_known_and_held():
    found = told((0, 57), (60, 30), as_of=125)
    assert (found.outcome, found.verdict) == ("unknown", Verdict.HOLD)
    assert "no reading shows 21 °C" in found.why
    assert told((0, 57), (121, 30), as_of=125).outcome == "fail"


def test_the_clock_starts_at_the_last_reading_that_was_still_hot():
    found = told((0, 90), (30, 58), (60, 40), as_of=90)
    assert found.stages[0].from_ms == 30 * MINUTE
    assert told((0, 90), as_of=30).stages[0].from_ms == 0


def test_warming_up_on_the_way_does_not_start_it_anew():
    found = told((0, 57), (60, 30), (100, 60), (200, 20), as_of=200)
    assert found.stages[0].from_ms == 0
    assert found.outcome == "fail"


def test_what_comes_after_the_end_of_cooling_is_storage():
    assert told((0, 57), (100, 20), (300, 4), (900, 30), as_of=900).outcome == "pass"


def test_a_start_that_was_said_counts_without_a_reading():
    found = told(as_of=30, started=0)
    assert (found.outcome, found.next_at) == ("running", 120 * MINUTE)
    assert told(as_of=121, started=0).outcome == "unknown"
    with pytest.raises(ValueError, match="a reading or a start"):
        told(as_of=1)


def test_a_failure_has_nothing_more_to_wait_for_and_says_which_rule():
    found = told((0, 57), (130, 20), as_of=140)
    assert (found.next_at, found.next_words) == (None, "nothing more to wait for")
    assert found.why.endswith("120 allowed (fda-food-code-2022)")
    assert found.reasons[0].value > found.reasons[0].threshold


def test_every_rule_s_source_is_named():
    found = told((0, 57), (100, 20), (300, 5), as_of=300, rules=(FOOD_CODE, FSANZ))
    assert "3-501.14" in found.source
    assert "clause 7(3)" in found.source
    assert found.why == "cooled in time"
