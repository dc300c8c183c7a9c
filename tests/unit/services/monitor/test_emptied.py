"""A cabinet that stays warm after its food went is one trouble until there is food again, in real records."""

import pytest

from services.domain import BatchNew, Verdict
from services.domain.noticerates import CALLS
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, runout
from tests.helpers.notices import open_desk

COOK = "Jonas K."
UNIT = "v3-meat"
WHY = "food modelled from cabinet air above 5 °C for 133 min"
WARM = {"latest": {"cabinet_c": 12.4}, "computed": Verdict.HOLD, "standing_why": WHY}


@pytest.fixture
def desk(tmp_path):
    found = open_desk(tmp_path)
    found.warm[UNIT] = [(NOW_MS - 3 * HOUR_MS, None)]
    yield found
    found.records.close()


def held(desk, **changes):
    """Return the cabinet on hold since a moment ago."""
    since = {"standing": Verdict.HOLD, "standing_since": desk.now_ms - MINUTE_MS}
    return card(UNIT, **(WARM | since | changes))


def warm():
    return card(UNIT, **WARM, standing=Verdict.WATCH)


def decide(desk, disposition="discarded"):
    desk.records.release_hold(
        UNIT, who=COOK, probe_c=12.0, disposition=disposition, reason="too long", now_ms=desk.now_ms
    )
    return desk.now_ms


def hours(desk, count):
    desk.now_ms += round(count * HOUR_MS)


def held_again(desk, disposition="discarded"):
    """Have a hold told, decided about, and come to stand again three hours later; return the notices then."""
    desk.look(held(desk))
    decide(desk, disposition)
    desk.look(warm())
    hours(desk, 3)
    return desk.look(held(desk))


def calls(desk):
    moves = desk.records.notice_moves(0, desk.now_ms + 1)
    return [(move.move, move.priority) for move in moves if move.move in CALLS and move.kind == "hold"]


def test_a_hold_after_the_food_was_discarded_goes_on_as_the_same_trouble_and_asks_nobody(desk):
    (notice,) = held_again(desk)
    assert (notice.state, notice.priority, notice.what_to_do) == ("acknowledged", "medium", "say_empty")
    assert [line.kind for line in notice.lines] == ["raised", "returned", "still"]
    assert calls(desk) == [("raised", "high")]
    assert desk.records.card(UNIT).standing is Verdict.HOLD, "what stands of the food is as it was"


def test_it_tells_since_when_nothing_is_in_it(desk):
    desk.look(held(desk))
    decided_ms = decide(desk)
    desk.look(warm())
    hours(desk, 3)
    (notice,) = desk.look(held(desk))
    assert notice.since == decided_ms


def test_it_is_told_once_more_in_twelve_hours_however_often_it_is_decided(desk):
    held_again(desk)
    for _ in range(6):
        decide(desk)
        desk.look(warm())
        hours(desk, 3)
        desk.look(held(desk))
    assert calls(desk) == [("raised", "high"), ("raised", "medium")]


def test_while_it_stands_undecided_it_is_told_again_after_twelve_hours(desk):
    held_again(desk)
    standing = held(desk)
    for _ in range(5):
        hours(desk, 3)
        desk.look(standing)
    assert calls(desk) == [("raised", "high"), ("again", "medium")]


def test_worse_minutes_of_an_empty_cabinet_are_no_new_notice(desk):
    held_again(desk)
    hours(desk, 2)
    desk.look(held(desk, standing=Verdict.DISCARD_ADVISED, computed=Verdict.DISCARD_ADVISED))
    assert calls(desk) == [("raised", "high")]


def test_a_batch_in_it_makes_it_a_hold_that_is_new_and_high(desk):
    held_again(desk)
    standing = held(desk)
    new = BatchNew(unit=UNIT, what="Beef fillet", food_class="red_meat")
    desk.records.load_batch(new, who=COOK, now_ms=desk.now_ms)
    (notice,) = desk.look(standing)
    assert (notice.state, notice.what_to_do) == ("new", "probe_and_decide")
    assert calls(desk)[-1] == ("worse", "high")


def test_a_batch_that_a_card_tells_of_makes_it_high_at_once(desk):
    desk.look(held(desk))
    decide(desk)
    desk.look(warm())
    hours(desk, 3)
    (notice,) = desk.look(held(desk, batches=1, batches_worst=Verdict.HOLD))
    assert (notice.state, notice.priority) == ("new", "high")


@pytest.mark.parametrize("minutes", [10, 45])
def test_air_that_was_cold_for_more_than_a_moment_makes_it_new_and_high(desk, minutes):
    desk.look(held(desk))
    decided_ms = decide(desk)
    desk.look(warm())
    hours(desk, 4)
    back_ms = decided_ms + HOUR_MS + minutes * MINUTE_MS
    desk.warm[UNIT] = [(NOW_MS - 3 * HOUR_MS, decided_ms + HOUR_MS), (back_ms, None)]
    (notice,) = desk.look(held(desk))
    assert notice.priority == ("high" if minutes > 30 else "medium")


def test_a_cabinet_that_gets_cold_while_it_stands_is_high_once_until_the_next_decision(desk):
    held_again(desk)
    standing = held(desk)
    desk.warm[UNIT] = [(NOW_MS - 3 * HOUR_MS, desk.now_ms)]
    hours(desk, 1)
    cold = standing.model_copy(update={"latest": {"cabinet_c": 3.0}, "computed": Verdict.WATCH})
    (notice,) = desk.look(cold)
    assert (notice.state, notice.priority) == ("new", "high")
    desk.warm[UNIT] = [(NOW_MS - 3 * HOUR_MS, None)]
    hours(desk, 14)
    assert [n.priority for n in desk.look(standing)] == ["high"]
    assert calls(desk) == [("raised", "high"), ("worse", "high")]


@pytest.mark.parametrize("word", ["probe", "in_use", "kept"])
def test_a_word_that_there_may_be_food_makes_it_new_and_high(desk, word):
    held_again(desk)
    standing = held(desk)
    hours(desk, 1)
    if word == "probe":
        desk.records.say_probe(UNIT, who=COOK, probe_c=9.0, now_ms=desk.now_ms)
    elif word == "in_use":
        desk.records.say_unit_state(UNIT, "in_use", COOK, desk.now_ms)
    else:
        decide(desk, "kept")
        desk.look(warm())
        hours(desk, 3)
        standing = held(desk)
    (notice,) = desk.look(standing)
    assert (notice.state, notice.priority, notice.what_to_do) == ("new", "high", "probe_and_decide")


def test_food_that_went_is_at_no_risk_while_its_cabinet_stays_warm(desk):
    risk = runout().food_at_risk.model_copy(update={"from_p10": NOW_MS + 30 * MINUTE_MS})
    at_risk = {"runout": NO_BATTERY.model_copy(update={"food_at_risk": risk})}
    found = desk.look(held(desk, **at_risk), minutes=8)
    assert {notice.kind for notice in found} == {"hold", "food_at_risk"}
    decide(desk)
    found = desk.look(warm().model_copy(update=at_risk), minutes=20)
    assert [notice.kind for notice in found if notice.active] == []
    desk.records.say_unit_state(UNIT, "in_use", COOK, desk.now_ms)
    found = desk.look(warm().model_copy(update=at_risk), minutes=8)
    assert [notice.kind for notice in found if notice.active] == ["food_at_risk"]


def test_food_that_was_kept_is_on_hold_as_before(desk):
    (notice,) = held_again(desk, "kept")
    assert (notice.state, notice.priority) == ("new", "high")


def test_said_to_be_empty_it_asks_nobody_and_put_into_use_again_it_is_a_hold(desk):
    held_again(desk)
    standing = held(desk)
    desk.records.say_unit_state(UNIT, "empty", COOK, desk.now_ms)
    assert desk.look(standing.model_copy(update={"state": "empty"}), minutes=2) == []
    desk.warm[UNIT] = [(NOW_MS - 3 * HOUR_MS, desk.now_ms)]
    hours(desk, 2)
    assert desk.look(standing.model_copy(update={"state": "empty"}), minutes=2) == []
    desk.records.say_unit_state(UNIT, "in_use", COOK, desk.now_ms)
    (notice,) = desk.look(standing, minutes=2)
    assert (notice.state, notice.priority) == ("new", "high")


def test_a_cabinet_said_to_be_empty_while_its_hold_was_undecided_stays_on_hold(desk):
    standing = held(desk)
    (first,) = desk.look(standing)
    desk.records.say_emptied(UNIT, who=COOK, now_ms=desk.now_ms)
    hours(desk, 2)
    (notice,) = desk.look(held(desk, standing=Verdict.DISCARD_ADVISED))
    assert (notice.id, notice.priority, notice.what_to_do) == (first.id, "high", "discard")


def test_a_monitor_that_starts_again_tells_nothing_anew(desk):
    held_again(desk)
    standing = held(desk)
    desk.looks = type(desk.looks)(desk.records)
    desk.look(standing)
    assert calls(desk) == [("raised", "high")]
