"""What stands of a batch: data raise it, a person closes it, and something new opens it again."""

import pytest

from services.analytics.food.batches import judge_batch
from services.domain import Verdict
from services.monitor.batchstanding import is_closed, standing_after
from services.monitor.standing import NEW_MINUTES
from services.records.said import BatchContext, Standing
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life, wobble

HELD_WHY = "133 min above 4 °C"
CLOSED = {
    "probe_c": 2.5,
    "disposition": "kept",
    "reason": "core cold",
    "standing": "hold",
    "computed": "hold",
}


def closed_at(minute, **changes):
    """Return stew that stood at 9 °C for three hours, with a hold closed at a minute."""
    return life((minute, "hold_closed", {**CLOSED, **changes}), core_c=3.0, piece_kg=0.1)


def judged(story, until, *, warm_until=180.0, again=(0.0, 0.0)):
    minutes = [float(m) for m in range(-10, round(until) + 1)]
    around = [9.0 if 0 < m < warm_until or again[0] < m < again[1] else 3.0 for m in minutes]
    box = air(minutes, wobble(minutes, around))
    return judge_batch(story, {"box-a": box}, as_of_ms=NOON_MS + round(until * MINUTE))


def context(story, verdict=None):
    standing = None if verdict is None else Standing(verdict, NOON_MS, HELD_WHY)
    return BatchContext(story, standing)


def after(story, found, computed, *, before=None, doubt=None):
    return standing_after(
        context(story, before), found, (computed, "so"), now_ms=NOON_MS + 300 * MINUTE, doubt=doubt
    )


def test_what_is_computed_stands_until_hold_and_then_only_rises():
    story = life(core_c=3.0)
    found = judged(story, 60.0, warm_until=0.0)
    assert after(story, found, Verdict.WATCH).verdict is Verdict.WATCH
    assert after(story, found, Verdict.OK, before=Verdict.WATCH).verdict is Verdict.OK
    kept = after(story, found, Verdict.OK, before=Verdict.HOLD)
    assert (kept.verdict, kept.why, kept.since_ms) == (Verdict.HOLD, HELD_WHY, NOON_MS)
    risen = after(story, found, Verdict.DISCARD_ADVISED, before=Verdict.HOLD)
    assert (risen.verdict, risen.why) == (Verdict.DISCARD_ADVISED, "so")


@pytest.mark.parametrize("computed", list(Verdict))
def test_a_doubt_leaves_nothing_good_and_lowers_nothing(computed):
    story = life(core_c=3.0)
    found = judged(story, 60.0, warm_until=0.0)
    stands = after(story, found, computed, doubt="its clock is wrong")
    assert stands.verdict is max(computed, Verdict.NO_DATA, key=lambda verdict: verdict.rank)
    assert (stands.why == "its clock is wrong") is (computed.rank < Verdict.NO_DATA.rank)


def test_a_hold_that_a_person_closed_is_told_with_name_and_reason():
    story = closed_at(240.0)
    found = judged(story, 300.0)
    assert is_closed(context(story), found, Verdict.HOLD)
    stands = after(story, found, Verdict.HOLD)
    assert (stands.verdict, stands.why) == (Verdict.WATCH, "hold closed by Asha; core cold")


def test_nothing_is_closed_where_nobody_closed_it_or_where_nothing_is_held():
    story = life(core_c=3.0, piece_kg=0.1)
    assert not is_closed(context(story), judged(story, 300.0), Verdict.HOLD)
    closed = closed_at(240.0)
    assert not is_closed(context(closed), judged(closed, 300.0), Verdict.WATCH)


def test_a_worse_verdict_than_the_one_signed_is_not_closed():
    story = closed_at(240.0)
    assert not is_closed(context(story), judged(story, 300.0), Verdict.DISCARD_ADVISED)
    signed = closed_at(240.0, computed="discard_advised", disposition="discarded")
    assert is_closed(context(signed), judged(signed, 300.0), Verdict.DISCARD_ADVISED)


def test_a_probe_above_the_limit_closes_nothing():
    warm = closed_at(240.0, probe_c=5.6)
    found = judged(warm, 300.0)
    assert found.lowest_limit_c < 5.6
    assert not is_closed(context(warm), found, Verdict.HOLD)


def test_minutes_that_come_after_the_sign_off_open_it_again():
    story = closed_at(240.0)
    quiet = judged(story, 300.0)
    assert quiet.since_closed_min < NEW_MINUTES
    warmed = judged(story, 300.0, again=(250.0, 300.0))
    assert warmed.since_closed_min >= NEW_MINUTES
    assert not is_closed(context(story), warmed, Verdict.HOLD)
    assert after(story, warmed, Verdict.HOLD).verdict is Verdict.HOLD
