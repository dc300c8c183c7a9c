"""What is particular to the embedded store: its file, its bounds, its speed."""

import sqlite3
import threading
import time
from contextlib import closing

import pytest

from services.errors import ConfigurationError, DependencyUnavailable
from services.store import Batch, Reject, Skipped, WaitingPack, keeping
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Rejected, Sample
from services.timebase import Span

UNIT = "v3-meat"


def sample(sq):
    return Sample(
        UNIT, 1, sq, sq * 60_000, 2, {"cabinet": 3.0, "battery": 12.5, "compressor": True}, 60.0 * sq
    )


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "telemetry.db")
    yield made
    made.close()


def test_the_file_is_durable_at_every_commit_and_readable_meanwhile(store):
    assert store._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert store._connection.execute("PRAGMA synchronous").fetchone()[0] == 2, "2 is FULL"


def test_a_file_that_is_no_store_is_the_operators_business(tmp_path):
    path = tmp_path / "telemetry.db"
    path.write_text("this is a letter, not a database, " * 100)
    with pytest.raises(ConfigurationError, match="is not a telemetry store"):
        SqliteStore(path)


def test_a_store_of_a_newer_version_is_left_alone(tmp_path):
    path = tmp_path / "telemetry.db"
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(ConfigurationError, match="newer version"):
        SqliteStore(path)


def test_a_missing_folder_is_a_dependency_that_does_not_answer(tmp_path):
    with pytest.raises(DependencyUnavailable):
        SqliteStore(tmp_path / "nowhere" / "telemetry.db")


def test_a_reader_cannot_write(tmp_path):
    reader = SqliteReader(tmp_path / "telemetry.db")
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("DELETE FROM samples")
    reader.close()


def test_a_locked_store_is_retried_by_the_caller(store, tmp_path):
    store._connection.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(tmp_path / "telemetry.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(DependencyUnavailable):
        store.append([sample(0)], received_ms=7)
    other.execute("ROLLBACK")
    other.close()
    assert store.append([sample(0)], received_ms=7).stored == 1


def test_one_reader_serves_several_threads(store):
    store.append([sample(sq) for sq in range(500)], received_ms=7)
    counts = []
    threads = [
        threading.Thread(target=lambda: counts.extend(len(store.read(UNIT, 0, 2**62)) for _ in range(20)))
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20.0)
    assert counts == [500] * 80


def test_thirty_days_of_one_unit_are_read_quickly(store):
    store.append([sample(sq) for sq in range(43_200)], received_ms=7)
    best_s = min(_cpu_s(lambda: store.read(UNIT, 0, 2**62)) for _ in range(5))
    assert len(store.read(UNIT, 0, 2**62)) == 43_200
    assert best_s < 0.4, "0.2 s is aimed at; a busy machine gets some room"


def _cpu_s(work):
    start = time.thread_time()
    work()
    return time.thread_time() - start


def test_the_oldest_packs_of_an_unknown_unit_give_way_and_are_counted(store, monkeypatch):
    monkeypatch.setattr(keeping, "WAITING_PACKS", 3)
    for number in range(5):
        pack = WaitingPack(0, "v9-new", "t", bytes([number]), number, None)
        store.commit(Batch(waiting=[pack]), received_ms=7)
    assert [pack.payload for pack in store.waiting_packs("v9-new")] == [b"\x02", b"\x03", b"\x04"]
    assert store.counters() == {"waiting_dropped": 2}
    monkeypatch.setattr(keeping, "WAITING_BYTES", 50)
    store.commit(Batch(waiting=[WaitingPack(0, "v9-new", "t", b"x" * 49, 9, None)]), received_ms=7)
    assert [len(pack.payload) for pack in store.waiting_packs("v9-new")] == [1, 49]


def test_too_many_unknown_units_are_turned_away_and_counted(store, monkeypatch):
    monkeypatch.setattr(keeping, "WAITING_UNITS", 2)
    packs = [WaitingPack(0, f"v9-{number}", "t", b"x", 7, None) for number in range(4)]
    store.commit(Batch(waiting=packs), received_ms=7)
    assert len(store.waiting()) == 2
    assert store.counters() == {"waiting_dropped": 2}


def test_what_has_outgrown_its_bound_loses_its_oldest_part(store, monkeypatch):
    monkeypatch.setattr(keeping, "TRIM_EVERY", 4)
    monkeypatch.setattr(keeping, "QUARANTINE_ROWS", 2)
    monkeypatch.setattr(keeping, "CHANGE_ROWS", 2)
    reject = Reject(Rejected("undecodable", "no pack", UNIT), "t", b"", 7)
    for sq in range(4):
        store.append([sample(sq)], received_ms=7, rejects=[reject])
    assert store.quarantine_count() == 2
    assert store.counters() == {"changes_trimmed": 2, "quarantine_trimmed": 2}
    assert [change.change_no for change in store.changes_after(2)] == [3, 4]
    (everything,) = store.changes_after(0)
    assert (everything.change_no, everything.t_min_ms, everything.t_max_ms) == (2, 0, 180_000)


def test_a_store_of_version_1_learns_which_numbers_it_holds(tmp_path):
    path = tmp_path / "telemetry.db"
    made = SqliteStore(path)
    made.append([sample(0), sample(1), sample(4), sample(9)], received_ms=7)
    made.declare_skipped(UNIT, Skipped(1, 5, 7, "gone"))
    before, spans = made.gaps(), made.missing_spans(UNIT)
    made.close()
    older = sqlite3.connect(path)
    older.execute("DROP TABLE runs")
    older.execute("PRAGMA user_version = 1")
    older.close()
    with closing(SqliteStore(path)) as newer:
        assert newer.gaps() == before == {(UNIT, 1): [(2, 3), (8, 8)]}
        assert newer.missing_spans(UNIT) == spans == [Span(60_000, 240_000), Span(240_000, 540_000)]
