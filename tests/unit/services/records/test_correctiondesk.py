"""Corrections of what was said of a cabinet, on a real database."""

import pytest

from services.errors import Refused
from services.records.facade import Records
from services.timebase import MINUTE_MS
from tests.helpers import made
from tests.helpers.made import NOON_MS


@pytest.fixture
def records(tmp_path):
    found = Records(tmp_path / "records.db")
    found.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS - MINUTE_MS)
    yield found
    found.close()


def line_of(records, unit="v3-meat"):
    return records.statements(unit, 1)[0].id


def correct(records, line, reading_c=None, *, unit="v3-meat", reason="read the wrong cabinet", at_ms=NOON_MS):
    records.correct(unit, line, who="Asha", reading_c=reading_c, reason=reason, now_ms=at_ms)


def test_the_corrected_line_stays_and_the_correction_names_it(records):
    records.say_probe("v3-meat", who="Asha", probe_c=9.0, now_ms=NOON_MS)
    line = line_of(records)
    correct(records, line, 4.0)
    newest, first = records.statements("v3-meat")
    assert (first.id, dict(first.body)["probe_c"]) == (line, 9.0)
    assert (newest.kind, newest.who, newest.body["line"], newest.body["probe_c"]) == (
        "corrected",
        "Asha",
        line,
        4.0,
    )
    assert records.corrected_by([line], ["v3-meat"]) == {line: newest.id}


def test_a_corrected_probe_reading_is_the_one_that_counts(records):
    records.say_probe("v3-meat", who="Asha", probe_c=9.0, surface_c=10.0, now_ms=NOON_MS)
    correct(records, line_of(records), 0.0)
    probe = records.context("v3-meat").probe
    assert (probe.t_ms, probe.core_c, probe.surface_c) == (NOON_MS, 0.0, 10.0)


def test_of_a_line_that_was_taken_back_nothing_counts(records):
    records.say_probe("v3-meat", who="Asha", probe_c=3.0, now_ms=NOON_MS - MINUTE_MS)
    records.say_probe("v3-meat", who="Asha", probe_c=9.0, now_ms=NOON_MS)
    correct(records, line_of(records))
    assert records.context("v3-meat").probe.core_c == 3.0


def test_a_check_in_melting_ice_counts_as_corrected_and_the_newest_correction_wins(records):
    records.say_ice_point("v3-meat", who="Asha", reading_c=5.0, now_ms=NOON_MS)
    line = line_of(records)
    correct(records, line, 0.5)
    assert [c.reading_c for c in records.sensor_checks("v3-meat")] == [0.5]
    correct(records, line, 0.2)
    assert [c.reading_c for c in records.sensor_checks("v3-meat")] == [0.2]
    correct(records, line)
    assert records.sensor_checks("v3-meat") == ()


def test_contexts_that_were_asked_for_before_are_as_new_after_every_word(records):
    units = ["v3-meat", "v3-ice"]
    known = records.contexts(units, {})
    words = [
        lambda: records.say_probe("v3-meat", who="Asha", probe_c=9.0, now_ms=NOON_MS),
        lambda: records.say_ice_point("v3-ice", who="Asha", reading_c=0.5, now_ms=NOON_MS),
        lambda: correct(records, line_of(records), 3.0),
        lambda: records.say_emptied("v3-ice", who="Asha", now_ms=NOON_MS + 1),
        lambda: records.say_note("v3-meat", who="Asha", note="a new seal", now_ms=NOON_MS + 2),
    ]
    for say in words:
        say()
        before, known = known, records.contexts(units, known)
        assert known == {unit: records.context(unit) for unit in units} != before


def test_the_clock_runs_on_when_empty_was_said_by_mistake(records):
    records.say_unit_state("v3-meat", "empty", "Asha", NOON_MS - MINUTE_MS)
    first = records.context("v3-meat")
    assert first.clock_from_ms == NOON_MS - MINUTE_MS
    correct(records, line_of(records))
    after = records.context("v3-meat")
    assert after.clock_from_ms is None
    assert after.statement_no > first.statement_no, "it is judged again"


def test_what_cannot_be_corrected_is_refused_with_what_to_do(records):
    records.say_note("v3-ice", who="Asha", note="iced up", now_ms=NOON_MS)
    other = line_of(records, "v3-ice")
    records.say_note("v3-meat", who="Asha", note="loaded", now_ms=NOON_MS)
    note = line_of(records)
    records.say_unit_state("v3-meat", "in_use", "Asha", NOON_MS)
    state = line_of(records)
    correct(records, note)
    fix = line_of(records)
    for line, reading_c, words in (
        (other, None, "not one of this cabinet"),
        (999, None, "not one of this cabinet"),
        (note, 3.0, "can only be taken back"),
        (state, None, "Say what the cabinet is used for now"),
        (fix, None, "a correction itself"),
    ):
        with pytest.raises(Refused, match=words):
            correct(records, line, reading_c)
    with pytest.raises(Refused, match="reason"):
        correct(records, note, reason=" ")
    with pytest.raises(Refused, match="people who may sign"):
        records.correct("v3-meat", note, who="Nobody", reading_c=None, reason="x", now_ms=NOON_MS)


def test_a_closed_hold_keeps_its_line_but_its_reading_can_be_put_right(records):
    held = made.card(standing=made.Verdict.HOLD)
    records.write_card(held, made.analysis(verdict=made.Verdict.HOLD))
    records.release_hold(
        "v3-meat", who="Asha", probe_c=8.0, disposition="moved", reason="full", now_ms=NOON_MS
    )
    line = line_of(records)
    with pytest.raises(Refused, match="not taken back"):
        correct(records, line)
    correct(records, line, 3.0)
    assert records.context("v3-meat").release.body["probe_c"] == 8.0, "the line itself stays"
    assert records.context("v3-meat").clock_from_ms == NOON_MS
