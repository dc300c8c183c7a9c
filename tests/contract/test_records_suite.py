"""What the records promise, over each database they can be kept in."""

import multiprocessing
from urllib.parse import urlsplit

import psycopg
import pytest

from services.domain import ChainStep, NoticeChange, NoticeSaid, OnCallSaid, Person, WaySaid
from services.domain.telling import ReachLink
from services.errors import ConfigurationError, DependencyUnavailable, Refused
from services.records import database
from services.records.database import Database
from services.records.facade import Records
from services.records.tables import CounterRow
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS, analysis, card, fleet
from tests.helpers.notices import silence
from tests.helpers.postgres import USER, programs, running_postgres

EACH = 6
"""What each of two processes writes; every write waits for the disk."""


@pytest.fixture(scope="session")
def server():
    if programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with running_postgres() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgres"])
def where(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "records.db")
    return request.getfixturevalue("server").fresh()


@pytest.fixture
def records(where):
    opened = Records(where)
    opened.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - HOUR_MS)
    yield opened
    opened.close()


def test_opening_again_finds_what_was_said(records, where):
    records.say_note("v3-meat", who="Thandi M.", note="lid was open", now_ms=NOW_MS)
    again = Records(where)
    assert [said.body["note"] for said in again.statements("v3-meat")] == ["lid was open"]
    assert again.known_units() == {unit.id for unit in fleet().units}
    assert {person.name for person in again.people()} == {person.name for person in fleet().people}
    again.close()


def test_cards_come_back_as_they_were_written_and_in_order_of_change(records):
    for unit in ("v3-meat", "v3-veg", "v3-meat"):
        records.write_card(card(unit), analysis(card(unit)))
    changed = records.cards_changed_after(0)
    assert [found.unit for _, found in changed] == ["v3-veg", "v3-meat"]
    assert [number for number, _ in changed] == [2, 3]
    assert records.card("v3-meat") == card("v3-meat")
    assert records.analysis("v3-meat") == analysis(card("v3-meat")).model_dump(mode="json", by_alias=True)


def test_nobody_signs_who_may_not(records):
    with pytest.raises(Refused):
        records.say_note("v3-meat", who="A stranger", note="hello", now_ms=NOW_MS)
    assert records.statements("v3-meat") == []


def test_a_notice_is_told_once_taken_over_when_it_passed_and_told_again_as_the_same(records):
    told = silence()
    raised = NoticeChange("raised", told.cause_key, told)
    records.write_notices([raised], (), now_ms=NOW_MS)
    records.write_notices([raised], (), now_ms=NOW_MS + 1)
    (notice,) = records.notices(now_ms=NOW_MS + 1)
    taken = NoticeSaid(person="Jonas K.", kind="acknowledged")
    records.say_of_notice(notice.id, taken, now_ms=NOW_MS + 2)
    with pytest.raises(Refused):
        records.say_of_notice(notice.id, NoticeSaid(person="A stranger", kind="acknowledged"), now_ms=NOW_MS)
    records.write_notices([NoticeChange("returned", told.cause_key)], (), now_ms=NOW_MS + 3)
    assert records.notices(now_ms=NOW_MS + 3) == []
    (over,) = records.notices(now_ms=NOW_MS + 3, over_since_ms=NOW_MS, sites={"river-camp"})
    assert (over.ended, [line.kind for line in over.lines]) == (
        NOW_MS + 3,
        ["raised", "acknowledged", "returned"],
    )
    assert records.notices(now_ms=NOW_MS + 3, over_since_ms=NOW_MS, sites={"vehicle-3"}) == []
    records.write_notices([NoticeChange("again", told.cause_key, told)], (), now_ms=NOW_MS + 4)
    (again,) = records.notices(now_ms=NOW_MS + 4)
    assert (again.id, again.state, again.returns) == (notice.id, "new", (NOW_MS + 3,))
    assert len(records.notice_moves(NOW_MS, NOW_MS + 5)) == 4


def test_what_fails_halfway_leaves_nothing(where):
    opened = Database(where)

    def fail():
        with opened.writing() as session:
            session.merge(CounterRow(name="x", value=1))
            session.flush()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    with opened.reading() as session:
        assert session.get(CounterRow, "x") is None
    opened.close()


def test_a_reader_stays_on_one_state_while_somebody_writes(where):
    one, other = Database(where), Database(where)
    with one.reading() as session:
        assert session.get(CounterRow, "x") is None
        with other.writing() as writing:
            writing.merge(CounterRow(name="x", value=1))
        session.expire_all()
        assert session.get(CounterRow, "x") is None
    with one.reading() as session:
        assert session.get(CounterRow, "x").value == 1
    one.close()
    other.close()


def test_a_writer_waits_for_the_other_and_then_says_so(where, monkeypatch):
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 1.0)
    one, other = Database(where), Database(where)
    with one.writing(), pytest.raises(DependencyUnavailable), other.writing():
        pytest.fail("two wrote at once")
    with other.writing() as session:
        session.merge(CounterRow(name="x", value=2))
    one.close()
    other.close()


def _add(where, name, count):
    records = Records(where)
    for number in range(count):
        records.queue_command("v3-meat", "status", who="Thandi M.", now_ms=NOW_MS + number)
        records.write_card(card("v3-meat"), analysis(card("v3-meat")))
        records.add_person(Person(name=f"{name} {number}", role="cook"), now_ms=NOW_MS + number)
    records.close()


def test_two_processes_write_at_once_and_no_number_is_given_twice(records, where):
    before = len(records.people())
    spawn = multiprocessing.get_context("spawn")
    running = [spawn.Process(target=_add, args=(where, name, EACH)) for name in ("web", "monitor")]
    for process in running:
        process.start()
    for process in running:
        process.join(180)
        assert process.exitcode == 0
    assert records.change_no() == 2 * EACH
    assert len(records.commands_after(0)) == 2 * EACH
    assert len(records.people()) == before + 2 * EACH


def test_tables_of_a_newer_version_are_left_alone(where):
    opened = Database(where)
    with opened.writing() as session:
        session.connection().exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    opened.close()
    with pytest.raises(ConfigurationError, match="newer version"):
        Records(where)


def test_a_server_that_is_gone_is_a_dependency_and_not_a_crash(tmp_path):
    with pytest.raises(DependencyUnavailable):
        Records(f"postgresql://nobody@/none?host={tmp_path}")


def test_29_an_account_that_owns_this_database_and_nothing_else_is_enough(server):
    url, name = server.fresh(), "plain_of_bushlarder"
    database = urlsplit(url).path[1:]
    with psycopg.connect(url, autocommit=True) as head:
        head.execute(f'CREATE ROLE "{name}" LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE')
        head.execute(f'ALTER DATABASE "{database}" OWNER TO "{name}"')
    least = url.replace(f"{USER}@", f"{name}@", 1)
    opened = Records(least)
    opened.apply_fleet(fleet(), who="operator", now_ms=NOW_MS)
    opened.write_card(card(), analysis(card()))
    opened.say_note("v3-meat", who="Thandi M.", note="lid was open", now_ms=NOW_MS)
    assert opened.verify_chain().faults == []
    opened.close()
    with psycopg.connect(least, autocommit=True) as plain:
        for words in ("SELECT * FROM pg_authid", "CREATE DATABASE another", "CREATE ROLE another"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                plain.execute(words)


def test_ways_chains_and_links_are_kept_and_answer_once(records):
    mail = {"who": "Jonas K.", "person": "Jonas K.", "kind": "mail", "target": "jonas@example.org"}
    first = records.say_way(WaySaid.model_validate(mail), now_ms=NOW_MS)
    with pytest.raises(Refused, match="already"):
        records.say_way(WaySaid.model_validate(mail), now_ms=NOW_MS)
    records.drop_way(first, who="Jonas K.", now_ms=NOW_MS)
    second = records.say_way(WaySaid.model_validate(mail), now_ms=NOW_MS)
    assert [(way.id, way.target) for way in records.ways()] == [(second, "jonas@example.org")]
    assert second > first
    for minutes in (5, 7):
        said = OnCallSaid(who="Jonas K.", site="river-camp", steps=(ChainStep(after_min=minutes),))
        records.say_on_call(said, now_ms=NOW_MS)
    assert [step.after_min for step in records.on_calls()["river-camp"].steps] == [7]
    told = silence()
    records.write_notices([NoticeChange("raised", told.cause_key, told)], (), now_ms=NOW_MS)
    assert [line.kind for line in records.notice_lines_after(0)] == ["raised"]
    link = ReachLink(1, "Jonas K.", "en", NOW_MS + HOUR_MS, None)
    records.put_links([("a secret", link)], now_ms=NOW_MS)
    assert records.take_by_link("a secret", now_ms=NOW_MS).taken_by == "Jonas K."
    assert records.link("a secret").used_ms == NOW_MS
    with pytest.raises(Refused, match="taken it already"):
        records.take_by_link("a secret", now_ms=NOW_MS)
    assert records.verify_chain().faults == []
