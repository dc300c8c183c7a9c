"""When missing samples are asked for, and when they are given up."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from services.ingest.repair import ANSWER_MS, GAP_PATIENCE_MS, MOST_ASKED, Missing, Question, Repair
from services.store import Skipped
from services.store.held import Held

UNIT = "v3-meat"
MINUTE = 60_000


def repair():
    numbers = itertools.count()
    return Repair(lambda: next(numbers).to_bytes(16, "big"))


def test_a_gap_is_asked_for_after_ten_minutes_and_again_ten_minutes_later():
    asking = repair()
    gaps = {(UNIT, 1): [(3, 5), (8, 8)]}
    assert asking.look(gaps, 0) == []
    assert asking.look(gaps, GAP_PATIENCE_MS - 1) == []
    (question,) = asking.look(gaps, GAP_PATIENCE_MS)
    assert (question.unit, question.bid, question.from_sq, question.to_sq) == (UNIT, 1, 3, 5)
    assert len(question.correlation) == 16
    assert asking.look(gaps, GAP_PATIENCE_MS + MINUTE) == []
    (again,) = asking.look(gaps, 2 * GAP_PATIENCE_MS)
    assert again.correlation != question.correlation


def test_a_gap_that_moves_or_closes_starts_anew():
    asking = repair()
    asking.look({(UNIT, 1): [(3, 9)]}, 0)
    assert asking.look({(UNIT, 1): [(5, 9)]}, GAP_PATIENCE_MS) == [], "it is being filled"
    assert asking.look({}, GAP_PATIENCE_MS + 1) == []
    assert asking.look({(UNIT, 1): [(5, 9)]}, 2 * GAP_PATIENCE_MS + 5) == []


def test_gone_means_missing_for_what_was_asked_and_nothing_else():
    asking = repair()
    gaps = {(UNIT, 1): [(3, 5)]}
    asking.look(gaps, 0)
    (question,) = asking.look(gaps, GAP_PATIENCE_MS)
    answer = {"gone": [], "newest": {1: 10}}
    assert asking.answered(UNIT, b"another", result="gone", **answer) == []
    assert asking.answered("v3-fish", question.correlation, result="gone", **answer) == []
    told = asking.answered(UNIT, question.correlation, result="gone", **answer)
    assert told == [Missing(UNIT, Skipped(1, 3, 5, "gone"))]
    assert asking.answered(UNIT, question.correlation, result="gone", **answer) == [], "once"


def test_a_unit_may_name_the_part_that_is_gone():
    asking = repair()
    gaps = {(UNIT, 1): [(3, 9)]}
    asking.look(gaps, 0)
    (question,) = asking.look(gaps, GAP_PATIENCE_MS)
    told = asking.answered(
        UNIT, question.correlation, result="done", gone=[(1, 0, 4), (2, 3, 9)], newest={1: 10}
    )
    assert told == [Missing(UNIT, Skipped(1, 3, 4, "gone"))]


def test_samples_that_may_yet_be_measured_are_never_given_up():
    asking = repair()
    for _ in range(3):
        steps = asking.unreadable(UNIT, resent=False, boots=[(1, 9, 9)], now_ms=0)
    (question,) = steps
    assert (question.from_sq, question.to_sq) == (10, 69)
    assert asking.answered(UNIT, question.correlation, result="gone", gone=[], newest={1: 9}) == []


def test_two_unreadable_packs_are_bad_luck_and_progress_forgives():
    asking = repair()
    for mark in (9, 9, 12, 12):
        assert asking.unreadable(UNIT, resent=False, boots=[(1, mark, mark)], now_ms=0) == []
    assert asking.unreadable(UNIT, resent=False, boots=[], now_ms=0) == []
    assert asking.unreadable(UNIT, resent=False, boots=[(1, 12, 12)], now_ms=0) != []


def test_a_question_without_answer_is_repeated_a_few_times_and_then_dropped():
    asking = repair()
    for _ in range(3):
        steps = asking.unreadable(UNIT, resent=True, boots=[(1, 9, 30)], now_ms=0)
    (question,) = steps
    assert question.to_sq == 29, "sample 30 is held"
    now_ms = 0
    for _ in range(MOST_ASKED - 1):
        assert asking.look({}, now_ms + ANSWER_MS - 1) == []
        now_ms += ANSWER_MS
        assert asking.look({}, now_ms) == [question]
    assert asking.look({}, now_ms + ANSWER_MS) == []
    assert asking.searched() == set()


def test_an_unreadable_pack_is_looked_for_in_earlier_boots_too():
    asking, asked = repair(), []
    for _ in range(3):
        steps = []
        while not steps:
            steps = asking.unreadable(UNIT, resent=False, boots=[(4, 9, 9), (3, 5, 5)], now_ms=0)
        (question,) = steps
        asked.append((question.bid, question.from_sq))
        asking.answered(UNIT, question.correlation, result="gone", gone=[], newest={4: 9, 3: 5})
    assert asked == [(4, 10), (3, 6), (4, 10)]


@given(bad=st.sets(st.integers(0, 79), min_size=1, max_size=4), newest=st.integers(0, 40))
def test_only_the_unreadable_samples_are_given_up(bad, newest):
    """A unit answers every question with what it has; a piece that holds a bad sample cannot be read."""
    asking, held, given_up = repair(), Held(), set()
    last = max(80, newest)
    held.add(81, 81)

    def boot():
        return 1, held.mark, held.newest

    open_steps = []
    for _ in range(2_000):
        if held.mark >= last:
            break
        if not open_steps:  # the unit sends its oldest unconfirmed samples again, as it does by itself
            piece = range(held.mark + 1, min(held.mark + 21, last + 1))
            if bad & set(piece) - given_up:
                open_steps = asking.unreadable(UNIT, resent=False, boots=[boot()], now_ms=0)
            else:
                held.add(piece[0], piece[-1])
                open_steps = asking.progress(UNIT, {1: held.mark}, 0)
            continue
        step = open_steps.pop(0)
        if isinstance(step, Missing):
            given_up.add(step.skipped.from_sq)
            held.add(step.skipped.from_sq, step.skipped.to_sq)
            continue
        assert isinstance(step, Question)
        piece = range(step.from_sq, min(step.to_sq, last) + 1)
        if bad & set(piece):
            open_steps += asking.unreadable(UNIT, resent=True, boots=[boot()], now_ms=0)
        else:
            held.add(piece[0], piece[-1])
            open_steps += asking.progress(UNIT, {1: held.mark}, 0)
    assert given_up == bad
