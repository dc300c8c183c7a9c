"""Which moments of the past are judged anew."""

import pytest

from services.monitor.judge import REOPEN_MS, Case, unseen
from services.monitor.pending import Touch
from services.records.said import Context, Statement
from services.timebase import Span
from tests.helpers import made
from tests.helpers.house import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.made import NOON_MS


def case(*, judged_ms=NOON_MS - MINUTE_MS, touch=None, oldest_ms=None, signed_ms=None, emptied_ms=None):
    release = None
    if signed_ms is not None:
        release = Statement(1, "v3-meat", signed_ms, "Asha", "release", {})
    return Case(
        settings=made.fleet().settings_of("v3-meat"),
        context=Context(0, emptied_ms, release, None, judged_ms),
        touch=touch,
        latest=None,
        expected=(),
        backlog=False,
        oldest_ms=oldest_ms,
        settings_at=lambda _: made.fleet().settings_of("v3-meat"),
    )


def past(**changes):
    return unseen(case(**changes), now_ms=NOON_MS)


def test_a_live_sample_opens_nothing():
    assert past(touch=Touch(NOON_MS - 5_000, NOON_MS - 5_000, 1)) is None
    assert past() is None


def test_late_samples_reopen_what_they_bear_on_72_hours_long():
    late = Touch(NOON_MS - 5 * DAY_MS, NOON_MS - 4 * DAY_MS, 1)
    assert past(touch=late) == Span(NOON_MS - 5 * DAY_MS, NOON_MS - DAY_MS)
    recent = Touch(NOON_MS - 3 * HOUR_MS, NOON_MS - HOUR_MS, 1)
    assert past(touch=recent) == Span(NOON_MS - 3 * HOUR_MS, NOON_MS)


def test_moments_nobody_judged_are_made_up_for():
    assert past(judged_ms=NOON_MS - HOUR_MS) == Span(NOON_MS - HOUR_MS, NOON_MS)
    late = Touch(NOON_MS - 9 * DAY_MS, NOON_MS - 9 * DAY_MS, 1)
    assert past(judged_ms=NOON_MS - HOUR_MS, touch=late) == Span(NOON_MS - 9 * DAY_MS, NOON_MS)


def test_a_unit_never_judged_is_judged_from_its_first_sample_on():
    assert past(judged_ms=None, oldest_ms=NOON_MS - 2 * DAY_MS) == Span(NOON_MS - 2 * DAY_MS, NOON_MS)
    assert past(judged_ms=None, oldest_ms=None) is None
    assert past(judged_ms=None, oldest_ms=NOON_MS - 400 * DAY_MS) == Span(NOON_MS - REOPEN_MS, NOON_MS)


@pytest.mark.parametrize("word", ["signed_ms", "emptied_ms"])
def test_moments_before_a_sign_off_or_an_emptying_stay_closed(word):
    late = Touch(NOON_MS - 5 * HOUR_MS, NOON_MS - 4 * HOUR_MS, 1)
    said_ms = NOON_MS - 2 * HOUR_MS
    assert past(touch=late, **{word: said_ms}) == Span(said_ms + 1, NOON_MS)
    assert past(touch=late, **{word: NOON_MS - MINUTE_MS}) is None
