"""What is shown of a batch."""

import datetime as dt

import pytest

from services.analytics.food.batches import judge_batch
from services.domain import Verdict
from services.monitor.batchcards import batch_card_of, with_warnings
from services.records.said import Standing
from tests.helpers.batch_lives import MINUTE, NOON_MS, life, settings, steady


def card(story, minute=120, verdict=Verdict.OK, air=None):
    as_of_ms = NOON_MS + minute * MINUTE
    judged = judge_batch(story, {"box-a": steady(600, 3.0) if air is None else air}, as_of_ms=as_of_ms)
    return batch_card_of(
        story,
        judged,
        (),
        computed=(judged.verdict, judged.why),
        standing=Standing(verdict, NOON_MS, "so"),
        zone=dt.UTC,
        spot=(),
        answers=(),
        as_of_ms=as_of_ms,
    )


def test_dates_run_in_calendar_days():
    assert card(life(core_c=3.0)).dates == "none"
    today = "2026-06-01"
    assert card(life(core_c=3.0, use_by=today)).dates == "last_day"
    past = card(life(core_c=3.0, use_by="2026-05-31"))
    assert (past.dates, past.last_day, past.use_first) == ("past", dt.date(2026, 5, 31), 0.0)
    opened = card(life(core_c=3.0, ready_to_eat=True, opened_on=today))
    assert (opened.dates, opened.last_day) == ("in_date", dt.date(2026, 6, 7))


def test_what_is_cooked_has_a_core_to_reach_with_its_source():
    poultry = card(life(core_c=3.0, food_class="poultry"))
    assert poultry.cook_to_c == 74.0
    assert "3-401.11" in poultry.cook_to_why
    assert card(life(core_c=3.0, food_class="medicine")).cook_to_c is None


def test_the_minutes_shown_are_those_of_the_clock_that_decides():
    shown = card(life(core_c=9.0))
    assert shown.minutes_above == max(c.minutes_above for c in shown.clocks) > 0
    assert (shown.standing, shown.standing_why) == (Verdict.OK, "so")


def test_warmer_food_is_used_first():
    assert card(life(core_c=12.0)).use_first > card(life(core_c=3.0)).use_first > 0


def test_raw_and_ready_warn_each_other_only_where_both_lie():
    raw = card(life(core_c=3.0, what="Chicken", food_class="poultry"))
    ready = card(life(core_c=3.0, what="Salad", ready_to_eat=True))
    assert [c.warnings for c in with_warnings([raw])] == [()]
    first, second = with_warnings([raw, ready])
    assert "below" in first.warnings[0]
    assert "above" in second.warnings[0]
    assert [c.warnings for c in with_warnings([first])] == [()]


def test_what_cooking_does_not_mend_is_told_of_food_that_was_warm_only():
    assert card(life(core_c=3.0, food_class="fish")).not_mended == ()
    warm = card(life(core_c=9.0, food_class="fish"))
    assert any("histamine" in words for words in warm.not_mended)
    held = card(life(core_c=3.0, food_class="cooked"), verdict=Verdict.HOLD)
    assert any("cereus" in words for words in held.not_mended)


@pytest.mark.parametrize(("freezer_c", "silent_after"), [(-4.0, None), (6.0, None), (-4.0, 200)])
def test_frozen_food_that_never_thawed_may_be_held_and_still_be_mended_by_cooking(freezer_c, silent_after):
    freezer = steady(600 if silent_after is None else silent_after, freezer_c, of=settings(kind="freezer"))
    story = life(food_class="frozen_fish", frozen=True, core_c=-20.0, piece_kg=0.1)
    shown = card(story, 590, Verdict.HOLD, freezer)
    never_thawed = freezer_c < 0 and silent_after is None
    assert (shown.not_mended == ()) is never_thawed
