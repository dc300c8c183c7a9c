"""The records database: its steps, its locks, and what is said when it does not answer."""

import sqlite3

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import select

from services.errors import DependencyUnavailable
from services.records import database
from services.records.database import Database
from services.records.tables import CounterRow, Table


@pytest.fixture
def opened(tmp_path, monkeypatch):
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.1)
    made = Database(tmp_path / "records.db")
    yield made
    made.close()


def counters(opened):
    with opened.reading() as session:
        return {row.name: row.value for row in session.scalars(select(CounterRow))}


def test_the_steps_lead_to_the_tables_the_code_uses(opened):
    with opened.reading() as session:
        assert compare_metadata(MigrationContext.configure(session.connection()), Table.metadata) == []


def test_opening_again_changes_nothing(opened, tmp_path):
    with opened.writing() as session:
        session.merge(CounterRow(name="web", value=1))
    again = Database(tmp_path / "records.db")
    assert counters(again) == {"web": 1}
    again.close()


def test_readers_go_on_beside_a_writer_and_see_only_what_is_committed(opened):
    with opened.writing() as session:
        session.merge(CounterRow(name="web", value=1))
        session.flush()
        assert counters(opened) == {}
    assert counters(opened) == {"web": 1}


def test_what_fails_halfway_leaves_nothing(opened):
    def fail():
        with opened.writing() as session:
            session.merge(CounterRow(name="web", value=1))
            session.flush()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert counters(opened) == {}


def test_a_database_somebody_else_holds_is_unavailable_and_then_again_not(opened, tmp_path):
    other = sqlite3.connect(tmp_path / "records.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(DependencyUnavailable), opened.writing():
        pytest.fail("the lock was not respected")
    other.execute("ROLLBACK")
    other.close()
    with opened.writing() as session:
        session.merge(CounterRow(name="web", value=2))
    assert counters(opened) == {"web": 2}


def test_a_url_opens_the_same_file(opened, tmp_path):
    with opened.writing() as session:
        session.merge(CounterRow(name="web", value=3))
    by_url = Database(f"sqlite:///{tmp_path / 'records.db'}")
    assert counters(by_url) == {"web": 3}
    by_url.close()
