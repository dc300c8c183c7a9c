"""Whose turn it is."""

from services.monitor.pending import LATE_EVERY_MS, LIVE_EVERY_MS, SILENT_EVERY_MS, Pending
from services.store import Change
from tests.helpers.made import NOON_MS

KNOWN = frozenset({"v3-meat", "v3-ice"})


def live(number, unit="v3-meat", at_ms=NOON_MS):
    return Change(number, unit, at_ms, at_ms)


def fresh(*judged, position=0, touched=False):
    pending = Pending(position)
    for unit in judged:
        if touched:
            pending.touch([live(0, unit)], KNOWN)
        pending.judged(unit, NOON_MS)
    return pending


def test_every_unit_is_due_at_first_and_again_after_a_minute_of_silence():
    assert fresh().due(KNOWN, NOON_MS) == ["v3-ice", "v3-meat"]
    pending = fresh("v3-meat", "v3-ice")
    assert pending.due(KNOWN, NOON_MS + SILENT_EVERY_MS - 1) == []
    assert pending.due(KNOWN, NOON_MS + SILENT_EVERY_MS) == ["v3-ice", "v3-meat"]


def test_changes_are_judged_after_a_second_and_the_past_after_five():
    pending = fresh("v3-meat", "v3-ice", touched=True)
    pending.touch([live(1)], KNOWN)
    assert pending.due(KNOWN, NOON_MS + LIVE_EVERY_MS - 1) == []
    assert pending.due(KNOWN, NOON_MS + LIVE_EVERY_MS) == ["v3-meat"]
    pending = fresh("v3-meat", "v3-ice", touched=True)
    pending.touch([live(1, at_ms=NOON_MS - 3_600_000)], KNOWN)
    assert pending.due(KNOWN, NOON_MS + LATE_EVERY_MS - 1) == []
    assert pending.due(KNOWN, NOON_MS + LATE_EVERY_MS) == ["v3-meat"]


def test_a_look_that_told_of_no_sample_keeps_none_waiting():
    pending = fresh("v3-meat", "v3-ice")
    pending.touch([live(1)], KNOWN)
    assert pending.due(KNOWN, NOON_MS + 1) == ["v3-meat"]
    pending.judged("v3-meat", NOON_MS + 1)
    pending.touch([live(2)], KNOWN)
    assert pending.due(KNOWN, NOON_MS + LIVE_EVERY_MS) == []
    assert pending.due(KNOWN, NOON_MS + 1 + LIVE_EVERY_MS) == ["v3-meat"]


def test_a_clock_set_back_keeps_no_sample_waiting():
    pending = fresh("v3-meat", touched=True)
    earlier_ms = NOON_MS - 3_600_000
    pending.judged("v3-meat", earlier_ms)
    pending.touch([live(1, at_ms=earlier_ms)], KNOWN)
    assert "v3-meat" in pending.due(KNOWN, earlier_ms + LIVE_EVERY_MS)


def test_many_changes_become_one_stretch():
    pending = fresh()
    pending.touch([live(4, at_ms=50), live(5, at_ms=20), live(6, at_ms=90)], KNOWN)
    touch = pending.touch_of("v3-meat")
    assert touch is not None
    assert (touch.t_min_ms, touch.t_max_ms, touch.change_no) == (20, 90, 4)


def test_what_a_person_said_is_judged_at_once_and_first():
    pending = fresh("v3-meat", "v3-ice")
    pending.urge(["v3-meat"])
    assert pending.due(KNOWN, NOON_MS) == ["v3-meat"]
    assert pending.due(KNOWN, NOON_MS + SILENT_EVERY_MS) == ["v3-meat", "v3-ice"]


def test_the_place_in_the_feed_stays_before_what_still_waits():
    pending = fresh(position=3)
    pending.touch([live(4), live(5, "v3-ice"), live(6), live(7, "stranger")], KNOWN)
    assert pending.position() == 3
    assert pending.position(without=["v3-meat"]) == 4
    pending.judged("v3-meat", NOON_MS)
    assert pending.position() == 4
    pending.judged("v3-ice", NOON_MS)
    assert pending.position() == 7


def test_a_unit_put_off_keeps_what_touched_it():
    pending = fresh()
    pending.touch([live(1)], KNOWN)
    pending.put_off("v3-meat", NOON_MS)
    assert "v3-meat" not in pending.due(KNOWN, NOON_MS + SILENT_EVERY_MS)
    assert pending.touch_of("v3-meat") is not None
    assert pending.position() == 0
    assert "v3-meat" in pending.due(KNOWN, NOON_MS + SILENT_EVERY_MS + LIVE_EVERY_MS)
