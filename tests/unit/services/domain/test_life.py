"""What became of a batch, worked out from what was said of it."""

import pytest

from services.domain import lived
from tests.helpers.batch_lives import MINUTE, NOON_MS, event, life


def stays(story):
    return [
        (
            s.unit,
            (s.start_ms - NOON_MS) // MINUTE,
            None if s.end_ms is None else (s.end_ms - NOON_MS) // MINUTE,
        )
        for s in story.stays
    ]


def test_a_batch_lies_where_it_was_put():
    story = life(core_c=3.5)
    assert stays(story) == [("box-a", 0, None)]
    assert (story.batch.place, story.batch.unit, story.batch.frozen) == ("stored", "box-a", False)
    assert [c.core_c for c in story.cores] == [3.5]


def test_what_is_told_late_takes_its_place_in_time():
    story = life((60, "moved", {"unit": "box-c"}), (30, "moved", {"unit": "box-b"}))
    assert stays(story) == [("box-a", 0, 30), ("box-b", 30, 60), ("box-c", 60, None)]


def test_taken_out_and_put_back():
    story = life((10, "taken_out", {}), (25, "put_back", {"unit": "box-a", "probe_c": 6.0}))
    assert stays(story) == [("box-a", 0, 10), (None, 10, 25), ("box-a", 25, None)]
    assert [s.out for s in story.stays] == [False, True, False]
    assert story.out_from_ms is None
    assert life((10, "taken_out", {})).out_from_ms == NOON_MS + 10 * MINUTE
    assert life((10, "taken_out", {})).batch.unit == "box-a"


def test_frozen_spans_join_over_cabinets_and_thawing_starts_when_they_end():
    story = life(
        (10, "frozen", {"unit": "ice-a", "frozen": True}),
        (50, "moved", {"unit": "ice-b", "frozen": True}),
        (90, "moved", {"unit": "box-a", "frozen": False}),
    )
    assert story.frozen_spans == ((NOON_MS + 10 * MINUTE, NOON_MS + 90 * MINUTE),)
    assert story.thawing_from_ms == NOON_MS + 90 * MINUTE
    assert story.batch.frozen is False


def test_a_move_back_within_the_same_moment_leaves_no_empty_stay():
    story = life((10, "moved", {"unit": "box-b"}), (10, "moved", {"unit": "box-c"}))
    assert stays(story) == [("box-a", 0, 10), ("box-c", 10, None)]


@pytest.mark.parametrize(("kind", "end"), [("served", "served"), ("cooked", "cooked"), ("emptied", None)])
def test_what_is_gone_ends_its_last_stay(kind, end):
    story = life((40, kind, {}))
    assert stays(story) == [("box-a", 0, 40)]
    assert (story.batch.place, story.batch.end) == ("gone", end)


def test_a_withdrawn_event_never_happened_and_a_corrected_reading_is_another():
    story = life(
        (10, "probed", {"probe_c": 33.0}),
        (20, "discarded", {}),
        (30, "corrected", {"event": 2, "probe_c": 3.3}),
        (31, "corrected", {"event": 3, "withdrawn": True}),
        (32, "corrected", {"what": "Beef stew", "quantity": 2.0}),
    )
    assert [c.core_c for c in story.cores] == [3.3]
    assert (story.batch.place, story.batch.what, story.batch.quantity) == ("stored", "Beef stew", 2.0)


def test_a_hold_closed_by_cooking_or_throwing_away_ends_it():
    said = {"probe_c": 4.0, "reason": "x", "standing": "hold", "computed": "watch"}
    cooked = life((60, "hold_closed", {**said, "disposition": "cooked_at_once"}))
    assert (cooked.batch.end, cooked.closed.standing, cooked.closed.probe_c) == ("cooked", "hold", 4.0)
    kept = life((60, "hold_closed", {**said, "disposition": "kept"}))
    assert kept.batch.place == "stored"


def test_every_word_counts_towards_its_version():
    assert (life().event_no, life().events) == (1, 1)
    assert life((5, "opened", {"opened_on": "2026-06-01"})).batch.opened_on.isoformat() == "2026-06-01"


def test_nothing_is_known_of_food_that_was_never_put_in():
    with pytest.raises(ValueError, match="never put in"):
        lived(1, [event(1, 0, "probed", probe_c=3.0)])
