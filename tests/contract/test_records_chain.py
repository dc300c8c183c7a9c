"""Nothing said can be unwritten: whatever is done to a record is found, over each database."""

import json
import shutil
import sqlite3
from contextlib import contextmanager

import psycopg
import pytest
from alembic import command

from services.domain import BatchNew, JobOpened
from services.errors import Refused
from services.records import database
from services.records.chaining import CHAINED, NeverChangedError
from services.records.facade import Records
from services.records.kept import Kept
from services.records.tables import StatementRow
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.larder import NOW_MS, analysis, card, fleet
from tests.helpers.postgres import programs, running_postgres

COPIED = (
    "INSERT INTO statements (no, unit, kind, who, t_ms, body, ends_clock)"
    " SELECT 99, unit, kind, who, t_ms, body, ends_clock FROM statements WHERE no = 1"
)
REWORDED = 'UPDATE statements SET body = \'{"note": "all is well"}\' WHERE no = 2'
UNSALTED = "DELETE FROM audit_salts WHERE no = (SELECT no FROM audit_chain WHERE record = 'commands')"
COOK, MANAGER = "Jonas K.", "Thandi M."


@pytest.fixture(scope="session")
def server():
    if programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with running_postgres() as running:
        yield running


@pytest.fixture(scope="session")
def furnished(tmp_path_factory):
    """Return a house where something was said, made once: every test looks at a copy of it."""
    where = str(tmp_path_factory.mktemp("chain") / "records.db")
    furnish(where)
    return where


@pytest.fixture(scope="session")
def furnished_there(server):
    where = server.fresh()
    furnish(where)
    return where


@pytest.fixture(params=["sqlite", "postgres"])
def where(request, tmp_path):
    if request.param == "sqlite":
        return shutil.copy(request.getfixturevalue("furnished"), tmp_path / "records.db")
    return request.getfixturevalue("server").fresh(like=request.getfixturevalue("furnished_there"))


def furnish(where):
    opened = Records(where)
    opened.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - DAY_MS)
    opened.write_card(card(), analysis(card()))
    for number in range(3):
        opened.say_note("v3-meat", who=COOK, note=f"lid was open {number}", now_ms=NOW_MS + number)
    opened.load_batch(BatchNew(unit="v3-meat", what="Beef", food_class="red_meat"), who=COOK, now_ms=NOW_MS)
    opened.queue_command("v3-meat", "status", who=MANAGER, now_ms=NOW_MS)
    opened.close()


@pytest.fixture
def records(where):
    opened = Records(where)
    yield opened
    opened.close()


@contextmanager
def behind(where):
    """Yield what somebody with the password of the database can do."""
    if "://" in str(where):
        with psycopg.connect(where, autocommit=True) as connection:
            yield connection.execute
    else:
        connection = sqlite3.connect(where, isolation_level=None)
        yield connection.execute
        connection.close()


def go_back(records, revision):
    """Bring the tables to an earlier form."""
    steps = database._steps()
    with records._database._writing.begin() as connection:
        steps.attributes["connection"] = connection
        command.downgrade(steps, revision)


def faults(records, *heads):
    return [(each.kind, each.record, each.row) for each in records.verify_chain(heads).faults]


def test_what_was_said_hangs_together_and_the_head_moves_with_every_word(records):
    found = records.verify_chain()
    assert (found.faults, found.links, found.head) == ([], *records.chain_head())
    records.say_note("v3-meat", who=COOK, note="closed it", now_ms=NOW_MS)
    again = records.verify_chain([found.head])
    assert (again.faults, again.links) == ([], found.links + 1)
    assert again.head != found.head


def test_everything_people_say_and_every_verdict_has_a_link(records, where):
    records.open_job(
        JobOpened(person=MANAGER, unit="v3-meat", work="wiring", reason="smells warm"), now_ms=NOW_MS
    )
    with behind(where) as ask:
        linked = dict(ask("SELECT record, count(*) FROM audit_chain GROUP BY record").fetchall())
        for row in CHAINED:
            (count,) = ask(f"SELECT count(*) FROM {row.__tablename__}").fetchone()  # noqa: S608 - our names
            assert linked.get(row.__tablename__, 0) == count
    assert {"dated", "statements", "batch_events", "commands", "job_lines", "verdict_changes"} <= set(linked)


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (REWORDED, ("changed", "statements", 2)),
        ("UPDATE statements SET who = 'Thandi M.' WHERE no = 2", ("changed", "statements", 2)),
        ("UPDATE statements SET t_ms = t_ms - 1 WHERE no = 3", ("changed", "statements", 3)),
        ("UPDATE statements SET signed = 'account' WHERE no = 1", ("changed", "statements", 1)),
        ("DELETE FROM statements WHERE no = 2", ("removed", "statements", 2)),
        ("DELETE FROM batch_events", ("removed", "batch_events", 1)),
        ("UPDATE verdict_changes SET standing = 'ok', computed = 'watch'", ("changed", "verdict_changes", 1)),
        (COPIED, ("added", "statements", 99)),
        (UNSALTED, ("changed", "commands", 1)),
    ],
)
def test_what_somebody_does_to_a_record_is_found_and_said_where(records, where, words, found):
    with behind(where) as do:
        do(words)
    assert faults(records) == [found]


def test_records_that_change_places_are_found(records, where):
    with behind(where) as do:
        for old, new in ((1, 77), (2, 1), (77, 2)):
            do(f"UPDATE statements SET no = {new} WHERE no = {old}")  # noqa: S608 - numbers
    assert faults(records) == [("changed", "statements", 1), ("changed", "statements", 2)]


def test_links_that_change_places_or_go_are_found(records, where):
    first, second = (
        records.chain_head()[0] - back for back in (1, 0)
    )  # fmt: skip
    with behind(where) as do:
        for old, new in ((first, 900), (second, first), (900, second)):
            do(f"UPDATE audit_chain SET no = {new} WHERE no = {old}")  # noqa: S608 - numbers
    assert {kind for kind, _, _ in faults(records)} >= {"broken"}
    with behind(where) as do:
        do("DELETE FROM audit_chain WHERE no = 2")
    kinds = {(kind, row) for kind, _, row in faults(records)}
    assert ("missing_link", None) in kinds


def test_a_past_written_anew_is_found_by_whoever_noted_a_head(records, where):
    noted = records.chain_head()[1]
    with behind(where) as do:
        (last,) = do("SELECT max(no) FROM audit_chain").fetchone()
        (record, row) = do(f"SELECT record, row FROM audit_chain WHERE no = {last}").fetchone()  # noqa: S608
        do(f"DELETE FROM {record} WHERE no = {row}")  # noqa: S608
        do(f"DELETE FROM audit_chain WHERE no = {last}")  # noqa: S608
        do(f"DELETE FROM audit_salts WHERE no = {last}")  # noqa: S608
    assert faults(records) == []
    assert faults(records, noted) == [("other_past", noted, None)]


def test_a_check_signed_without_a_connection_is_chained_with_both_its_times(records, where):
    said, sent, came = NOW_MS + HOUR_MS, NOW_MS + 3 * HOUR_MS, NOW_MS + 3 * HOUR_MS - 40_000
    word = Kept("0123456789abcdef", came, said, sent, 40_000)
    records.kept(word).say_signed("v3-meat", who=COOK, note="all cold", now_ms=came)
    (signed,) = [each for each in records.statements("v3-meat") if each.kind == "signed"]
    assert (signed.phone.said, signed.phone.sent, signed.phone.received) == (said, sent, came)
    assert signed.t_ms == came - 2 * HOUR_MS, "by our clock"
    assert faults(records) == []
    with behind(where) as do:
        query = f"SELECT phone, received_ms, t_ms FROM statements WHERE no = {signed.id}"  # noqa: S608
        phone, received, at = do(query).fetchone()
        for column, true in (("phone", phone), ("received_ms", received), ("t_ms", at)):
            told = [json.dumps({**json.loads(phone), key: 1}) for key in ("said", "sent", "received")]
            for other in told if column == "phone" else [true - 60_000]:
                do(f"UPDATE statements SET {column} = '{other}' WHERE no = {signed.id}")  # noqa: S608
                assert faults(records) == [("changed", "statements", signed.id)], (column, other)
            do(f"UPDATE statements SET {column} = '{true}' WHERE no = {signed.id}")  # noqa: S608
    assert faults(records) == []


def test_our_own_code_cannot_change_a_record(records):
    with pytest.raises(NeverChangedError), records._database.writing() as session:
        session.get(StatementRow, 1).who = MANAGER
    with pytest.raises(NeverChangedError), records._database.writing() as session:
        session.delete(session.get(StatementRow, 1))
    assert faults(records) == []


def test_records_of_an_earlier_version_are_chained_when_they_are_opened(records, where):
    before = records.verify_chain().links
    go_back(records, "0014")
    records.close()
    again = Records(where)
    found = again.verify_chain()
    assert (found.faults, found.links) == ([], before)
    again.say_note("v3-meat", who=COOK, note="after it", now_ms=NOW_MS)
    assert faults(again) == []
    again.close()


def test_a_person_is_taken_out_and_the_chain_still_holds(records):
    records.say_note("v3-meat", who=MANAGER, note="Jonas K. will look; Jonas K.s van", now_ms=NOW_MS)
    code = records.invite(COOK, "cook", None, who=MANAGER, now_ms=NOW_MS)
    records.use_code(code, name="", hashed="x", now_ms=NOW_MS)
    head = records.chain_head()[1]
    gone = records.forget_person(COOK, who=MANAGER, now_ms=NOW_MS + HOUR_MS)
    assert gone.stands_for == "Removed person 1"
    assert gone.records >= 6
    found = records.verify_chain([head])
    assert found.faults == []
    assert found.taken_out >= gone.records
    notes = [(said.who, said.body["note"]) for said in records.statements("v3-meat")]
    assert ("Removed person 1", "lid was open 0") in notes
    assert (MANAGER, "Removed person 1 will look; Removed person 1s van") in notes
    assert COOK not in {person.name for person in records.people()}
    assert [(each.name, each.disabled) for each in records.accounts()] == [("Removed person 1", True)]
    assert records.batch_card(1).batch.loaded_by == "Removed person 1"
    with pytest.raises(Refused):
        records.say_note("v3-meat", who=COOK, note="still here", now_ms=NOW_MS)
    with pytest.raises(Refused, match="nobody called"):
        records.forget_person("Nobody At All", who=MANAGER, now_ms=NOW_MS)


def test_what_stands_in_place_of_a_name_is_held_by_the_chain_too(records, where):
    records.say_note("v3-meat", who=MANAGER, note="told Jonas K. and Thandi M.", now_ms=NOW_MS)
    records.forget_person(COOK, who="operator", now_ms=NOW_MS)
    records.forget_person(MANAGER, who="operator", now_ms=NOW_MS)
    note = next(s for s in records.statements("v3-meat") if s.body["note"].startswith("told"))
    assert (note.who, note.body["note"]) == (
        "Removed person 2", "told Removed person 1 and Removed person 2",
    )  # fmt: skip
    assert faults(records) == []
    with behind(where) as do:
        do("UPDATE statements SET who = 'Removed person 2' WHERE no = 1")
    assert faults(records) == [("changed", "statements", 1)]


def test_a_deletion_that_nobody_told_of_is_found(records, where):
    records.forget_person(COOK, who="operator", now_ms=NOW_MS)
    with behind(where) as do:
        do("UPDATE audit_taken_out SET before = after WHERE path = 'body/note'")
        (event,) = do("SELECT max(no) FROM operator_events").fetchone()
        do("DELETE FROM audit_taken_out WHERE no = 1")
    assert ("deletion", "operator_events", event) in faults(records)


def test_no_byte_of_a_name_is_left_in_the_file(tmp_path):
    where = tmp_path / "records.db"
    name = "Zanele Quagga"
    records = Records(where)
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - DAY_MS)
    code = records.invite(name, "cook", None, who=MANAGER, now_ms=NOW_MS)
    records.use_code(code, name="", hashed="x", now_ms=NOW_MS)
    for number in range(20):
        records.say_note("v3-meat", who=name, note=f"{name} was here {number}", now_ms=NOW_MS + number)
        shown = card(standing_why=f"hold closed by {name}: kept; {number}")
        records.write_card(shown, analysis(shown))
    records.forget_person(name, who=MANAGER, now_ms=NOW_MS + HOUR_MS)
    records.tidy()
    records.close()
    left = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert b"Quagga" not in left
    assert b"quagga" not in left
    assert left.count(b"Removed person 1") > 20
    again = Records(where)
    assert again.verify_chain().faults == []
    assert again.card("v3-meat").standing_why == "hold closed by Removed person 1: kept; 19"
    again.close()


def test_a_name_that_is_one_of_our_own_words_changes_nothing_else(tmp_path):
    records = Records(tmp_path / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - DAY_MS)
    code = records.invite("note", "cook", None, who=MANAGER, now_ms=NOW_MS)
    records.use_code(code, name="", hashed="x", now_ms=NOW_MS)
    records.say_note("v3-meat", who="note", note="note", now_ms=NOW_MS)
    records.forget_person("note", who=MANAGER, now_ms=NOW_MS)
    (said,) = records.statements("v3-meat")
    assert (said.who, said.kind, said.body) == ("Removed person 1", "note", {"note": "note"})
    records.close()
