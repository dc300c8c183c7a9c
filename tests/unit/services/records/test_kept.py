"""When a word that was kept on a phone was said, and that it is written down once."""

import pytest

from services.errors import Refused
from services.records.facade import Records
from services.records.kept import AGREES_MS, LONGEST_KEPT_MS, TOO_OLD, WAS_SET, AlreadyWrittenError, Kept
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers import made
from tests.helpers.made import NOON_MS

KEY = "0123456789abcdef"


def kept(age_ms=HOUR_MS, *, ahead_ms=0, before_ms=None, key=KEY):
    """Return a word kept for a while on a phone whose clock is ahead."""
    sent = NOON_MS + ahead_ms
    return Kept(key, NOON_MS, sent - age_ms, sent, before_ms)


@pytest.mark.parametrize("ahead_ms", [0, -40 * HOUR_MS, 3 * HOUR_MS])
def test_a_clock_that_is_wrong_all_the_time_does_no_harm(ahead_ms):
    word = kept(ahead_ms=ahead_ms, before_ms=ahead_ms)
    assert (word.doubt, word.moment_ms, word.certain_ms()) == ("", NOON_MS - HOUR_MS, NOON_MS - HOUR_MS)
    assert word.ahead_ms == ahead_ms


@pytest.mark.parametrize(
    ("word", "doubt"),
    [
        (kept(-1), WAS_SET),
        (kept(LONGEST_KEPT_MS + 1), TOO_OLD),
        (kept(before_ms=AGREES_MS + 1), WAS_SET),
        (kept(before_ms=-AGREES_MS - 1), WAS_SET),
    ],
)
def test_where_nobody_can_tell_it_counts_from_when_it_came_and_judges_no_food(word, doubt):
    assert (word.doubt, word.moment_ms) == (doubt, NOON_MS)
    with pytest.raises(Refused, match="Nobody can tell when this was"):
        word.certain_ms()


def test_the_edges_of_what_can_be_told():
    assert kept(LONGEST_KEPT_MS, before_ms=AGREES_MS).moment_ms == NOON_MS - LONGEST_KEPT_MS


def test_a_program_that_only_gives_a_key_speaks_of_now():
    word = Kept(KEY, NOON_MS)
    assert (word.moment_ms, word.times, word.ahead_ms, word.doubt) == (NOON_MS, None, None, "")


@pytest.fixture
def records(tmp_path):
    found = Records(tmp_path / "records.db")
    found.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS - DAY_MS)
    yield found
    found.close()


def told(records, kind):
    return [each for each in records.statements("v3-meat") if each.kind == kind]


def test_what_comes_again_under_its_key_is_written_down_once(records):
    for _ in range(2):
        door = records.kept(kept())
        try:
            door.say_probe("v3-meat", who="Asha", probe_c=3.0, now_ms=NOON_MS)
            first = True
        except AlreadyWrittenError:
            first = False
    assert not first
    (only,) = told(records, "probe")
    assert only.t_ms == NOON_MS - HOUR_MS
    assert (only.phone.received, only.phone.sent - only.phone.said) == (NOON_MS, HOUR_MS)
    assert records.context("v3-meat").probe.t_ms == NOON_MS - HOUR_MS


def test_what_was_refused_has_not_used_its_key_up(records):
    with pytest.raises(Refused):
        records.kept(kept()).say_probe("v3-meat", who="Nobody at all", probe_c=3.0, now_ms=NOON_MS)
    records.kept(kept()).say_probe("v3-meat", who="Asha", probe_c=3.0, now_ms=NOON_MS)
    assert len(told(records, "probe")) == 1


def test_a_reading_of_no_known_moment_is_none_and_a_signature_is_kept_with_its_doubt(records):
    old = kept(LONGEST_KEPT_MS + 1)
    with pytest.raises(Refused, match="72 hours"):
        records.kept(old).say_probe("v3-meat", who="Asha", probe_c=3.0, now_ms=NOON_MS)
    records.kept(old).say_signed("v3-meat", who="Asha", note="", now_ms=NOON_MS)
    assert told(records, "probe") == []
    (signed,) = told(records, "signed")
    assert (signed.t_ms, signed.phone.doubt) == (NOON_MS, TOO_OLD)


def test_an_older_reading_that_comes_late_does_not_hide_a_newer_one(records):
    records.say_probe("v3-meat", who="Asha", probe_c=9.0, now_ms=NOON_MS - MINUTE_MS)
    records.kept(kept()).say_probe("v3-meat", who="Asha", probe_c=2.0, now_ms=NOON_MS)
    assert records.context("v3-meat").probe.core_c == 9.0


def test_the_use_of_a_cabinet_said_before_somebody_said_otherwise_is_refused(records):
    records.say_unit_state("v3-meat", "off", "Asha", NOON_MS - MINUTE_MS)
    with pytest.raises(Refused, match="Asha has said something newer"):
        records.kept(kept()).say_unit_state("v3-meat", "empty", "Asha", NOON_MS)


def test_emptied_long_ago_the_clock_begins_then(records):
    records.kept(kept()).say_unit_state("v3-meat", "empty", "Asha", NOON_MS)
    assert records.clock_from_ms("v3-meat") == NOON_MS - HOUR_MS


def test_a_hold_is_not_closed_by_what_was_kept(records):
    with pytest.raises(Refused, match="with a connection only"):
        records.kept(kept()).release_hold(
            "v3-meat", who="Asha", probe_c=3.0, disposition="kept", reason="cold", now_ms=NOON_MS
        )


def test_the_history_tells_a_late_word_when_it_came(records):
    records.kept(kept()).say_note("v3-meat", who="Asha", note="lid ajar", now_ms=NOON_MS)
    came = records.statements_between(NOON_MS, NOON_MS + 1, units=None, limit=5)
    assert [each.body["note"] for each in came] == ["lid ajar"]
    assert records.statements_between(NOON_MS - 2 * HOUR_MS, NOON_MS, units=None, limit=5) == []
