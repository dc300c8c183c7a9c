import numpy as np
import pytest

from services.analytics.assess import assess
from services.analytics.food.answers import LADDER, batch_answers, beside, in_order, silent_cabinet
from services.analytics.food.batches import judge_batch
from services.analytics.food.entries import Readings
from services.domain import FoodAnswer, Verdict
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life, series, settings, wobble

FREEZER = settings(kind="freezer")
HOUR_MS = 60 * MINUTE


def warmed(until, warm_c, start=100, cold_c=-20.0, end=1440):
    """Return a freezer's air that stood warm for a while."""
    minutes = np.arange(-10.0, end + 1)
    return minutes, wobble(minutes, np.where((minutes > start) & (minutes < until), warm_c, cold_c))


def answers(story, minutes, air_c, *, of=FREEZER, as_of=None, verdict=None, stopped_min=0.0):
    as_of = minutes[-1] if as_of is None else as_of
    cabinet = air(minutes, air_c, of=of)
    judged = judge_batch(story, {"box-a": cabinet}, as_of_ms=NOON_MS + round(as_of * MINUTE))
    worst = judged.verdict if verdict is None else verdict
    return batch_answers(story, judged, verdict=worst, why=judged.why, stopped_min=stopped_min, presumed=None)


def told(found, question):
    return [(a.answer, a.source == LADDER) for a in found if a.question == question]


def frozen_life(*said, **more):
    return life(*said, frozen=True, **{"food_class": "frozen_other", "what": "Kudu", **more})


def test_food_that_stayed_frozen_asks_nothing():
    assert answers(frozen_life(), *warmed(0, -20.0)) == ()


def test_a_freezer_that_warmed_a_little_ends_in_hold_and_the_text_allows_freezing_again():
    found = answers(frozen_life(), *warmed(700, -4.0))
    assert told(found, "sell_as_frozen") == [("no", False)]
    assert told(found, "freeze_again") == [("unknown", True), ("yes", False)]
    assert told(found, "keep") == [("unknown", True), ("yes", False)]


def test_food_that_thawed_for_hours_is_neither_kept_nor_frozen_again():
    found = answers(frozen_life(piece_kg=0.3), *warmed(1300, 12.0))
    assert told(found, "freeze_again") == [("no", True)]
    assert told(found, "keep") == [("no", True)]
    assert "discard is advised" in found[0].why


def test_two_hours_above_40_f_are_no_in_one_text_and_yes_in_the_other():
    found = answers(frozen_life(piece_kg=0.1), *warmed(340, 9.0), verdict=Verdict.WATCH)
    assert told(found, "freeze_again") == [("no", False)]
    assert told(found, "keep") == [("no", False), ("yes", False)]


def gap(until, *, cold_c=-20.0, start=100, end=1440):
    minutes = np.array([m for m in np.arange(-10.0, end + 1) if not start < m < until])
    return minutes, wobble(minutes, cold_c)


def test_time_nobody_can_tell_of_makes_every_answer_unknown_until_a_person_measures():
    dark = answers(frozen_life(), *gap(800))
    assert {a.answer for a in dark if a.question == "freeze_again"} == {"unknown"}
    assert {a.answer for a in dark if a.question == "sell_as_frozen"} == {"unknown"}
    probed = (810.0, "probed", {"probe_c": -9.0})
    found = answers(frozen_life(probed), *gap(800), verdict=Verdict.WATCH)
    assert told(found, "freeze_again") == [("yes", False)]
    assert "\N{MINUS SIGN}9 °C" in next(a.why for a in found if a.question == "keep")
    # A warmer reading than the law allows settles the sale as well.
    assert told(found, "sell_as_frozen") == [("no", False)]


def test_a_reading_long_after_the_gap_settles_nothing():
    late = (1200.0, "probed", {"probe_c": -18.0})
    found = answers(frozen_life(late), *gap(800), verdict=Verdict.WATCH)
    assert told(found, "freeze_again") == [("unknown", False)]


def test_ice_that_was_seen_at_the_end_counts_and_ice_that_formed_again_does_not():
    fresh = (805.0, "probed", {"probe_c": -0.5, "ice": True})
    stale = (1200.0, "probed", {"probe_c": -15.0, "ice": True})
    none = (805.0, "probed", {"probe_c": 3.0, "ice": False})
    for said, answer in ((fresh, "yes"), (stale, "unknown")):
        found = answers(frozen_life(said), *gap(800), verdict=Verdict.WATCH)
        assert told(found, "freeze_again") == [(answer, False)]
    cream = frozen_life(none, food_class="ice_cream", what="Ice cream")
    assert told(answers(cream, *gap(800), verdict=Verdict.WATCH), "freeze_again") == [("no", False)]


def test_chilled_food_is_asked_about_after_a_power_cut_only():
    minutes = np.arange(-10.0, 301)
    cabinet = wobble(minutes, np.where(minutes > 100, 9.0, 3.0))
    story = life(core_c=3.0, piece_kg=0.1)
    assert answers(story, minutes, cabinet, of=settings(), as_of=200, verdict=Verdict.WATCH) == ()
    found = answers(
        story, minutes, cabinet, of=settings(), as_of=200, verdict=Verdict.WATCH, stopped_min=90.0
    )
    assert told(found, "keep") == [("yes", False)]
    assert "90 min without cooling" in found[0].why
    late = answers(story, minutes, cabinet, of=settings(), as_of=300, stopped_min=200.0)
    assert told(late, "keep")[:2] == [("no", False), ("unknown", True)]


def test_what_was_never_frozen_is_not_asked_about_freezing_again():
    minutes = np.arange(-10.0, 601)
    found = answers(life(core_c=3.0), minutes, wobble(minutes, 12.0), of=settings())
    assert {a.question for a in found} == {"keep"}


@pytest.mark.parametrize("food_class", ["drinks", "medicine"])
def test_drinks_and_medicine_are_asked_nothing(food_class):
    story = frozen_life(food_class=food_class)
    assert answers(story, *warmed(1300, 12.0), verdict=Verdict.HOLD) == ()


def answer(question, said, source="a text"):
    return FoodAnswer(question=question, answer=said, source=source, why="so")


def test_answers_stand_by_question_strictest_first_and_what_is_the_same_once():
    found = in_order(
        [
            answer("sell_as_frozen", "yes"),
            answer("keep", "yes", "one"),
            answer("keep", "no"),
            answer("keep", "yes", "two"),
        ]
    )
    assert [(a.question, a.answer) for a in found] == [
        ("keep", "no"),
        ("keep", "yes"),
        ("sell_as_frozen", "yes"),
    ]
    assert found[1].source == "one"


def test_no_text_is_kinder_than_what_stands():
    found = beside([answer("keep", "yes")], Verdict.DISCARD_ADVISED, "too warm")
    assert [(a.answer, a.source) for a in found] == [("no", LADDER), ("yes", "a text")]
    assert [a.answer for a in beside(found, Verdict.HOLD, "too warm")] == ["unknown", "yes"]
    assert [a.answer for a in beside(found, Verdict.WATCH, "warm")] == ["yes"]
    assert beside([], Verdict.DISCARD_ADVISED, "too warm") == ()


NOBODY = Readings(np.empty(0, dtype=np.int64), np.empty(0))


def silent(of, hours, ambient=NOBODY):
    return silent_cabinet(
        of, silent_ms=hours * HOUR_MS, gap_ms=3.0 * MINUTE, as_of_ms=NOON_MS, ambient=ambient
    )


def test_nothing_is_presumed_of_a_cabinet_that_is_heard_or_holds_no_food():
    assert silent_cabinet(FREEZER, silent_ms=60_000, gap_ms=180_000, as_of_ms=NOON_MS, ambient=NOBODY) is None
    assert silent(settings(food={"classes": ("medicine",)}), 5) is None


def test_a_big_cool_cabinet_in_a_house_is_presumed_for_a_while():
    cool = Readings(np.array([NOON_MS - 10 * HOUR_MS]), np.array([22.0]))
    hot = Readings(np.array([NOON_MS - 10 * HOUR_MS]), np.array([27.0]))
    half = settings(kind="freezer", volume_l=200, food={"load_kg": 40})
    full = settings(kind="freezer", volume_l=200, food={"load_kg": 90})
    assert [silent(of, 30, cool).answer for of in (half, full)] == ["no", "unknown"]
    assert "not used here" in silent(full, 30, hot).why
    assert "not used here" in silent(full, 30).why


def assessed(minutes, air_c, *, of=FREEZER, as_of=None):
    as_of_ms = NOON_MS + round((minutes[-1] if as_of is None else as_of) * MINUTE)
    return assess(series(minutes, air_c), of, as_of_ms=as_of_ms)


def test_a_freezer_whose_food_nobody_wrote_down_answers_too():
    assert assessed(*warmed(0, -20.0)).answers == ()
    found = assessed(*warmed(700, -4.0)).answers
    assert told(found, "freeze_again") == [("unknown", True), ("yes", False)]
    assert told(found, "sell_as_frozen") == [("no", False)]
    thawed = assessed(*warmed(1300, 12.0)).answers
    assert told(thawed, "keep") == [("no", True)]


def test_a_unit_that_fell_silent_tells_what_is_presumed_and_why_not():
    minutes, air_c = warmed(0, -20.0, end=300)
    found = assessed(minutes, air_c, as_of=360).answers
    presumed = next(a for a in found if a.question == "presumed_cold")
    assert presumed.answer == "no"
    assert "smaller than 150 l" in presumed.why
    resting = settings(kind="freezer", state="empty")
    assert assessed(minutes, air_c, as_of=360, of=resting).answers == ()
