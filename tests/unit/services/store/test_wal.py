"""The write-ahead log while a writer never pauses and readers never do either."""

import subprocess
import sys
import threading
import time
from contextlib import closing

import pytest

from services.store import wal
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample

UNIT = "v3-meat"
MB = 2**20


def batch(first, count=1_000):
    values = {"cabinet": 3.0, "battery": 12.5, "compressor": True}
    return [
        Sample(UNIT, 1, sq, 1_760_000_000_000 + sq * 60_000, 2, values) for sq in range(first, first + count)
    ]


READER = (
    "import sys; from services.store.sqlite import SqliteReader; r = SqliteReader(sys.argv[1])\n"
    "print(1, flush=True)\n"
    "while True: r.read('v3-meat', 1_760_000_000_000, 1_760_200_000_000); r.span_of('v3-meat')"
)


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setattr(wal, "LIMIT_BYTES", 2 * MB)


@pytest.mark.usefixtures("small")
def test_it_stays_small_with_two_readers_that_never_pause(tmp_path):
    path = tmp_path / "telemetry.db"
    log = path.with_name("telemetry.db-wal")
    sizes, written = [], 0
    with closing(SqliteStore(path)) as store:
        store.append(batch(0), received_ms=7)
        readers = [
            subprocess.Popen([sys.executable, "-c", READER, str(path)], stdout=subprocess.PIPE)
            for _ in range(2)
        ]
        try:
            for reader in readers:
                reader.stdout.readline()
            for number in range(1, 60):
                before = log.stat().st_size
                store.append(batch(number * 1_000), received_ms=7)
                sizes.append(log.stat().st_size)
                written += max(0, sizes[-1] - before)
        finally:
            for reader in readers:
                reader.kill()
                reader.wait()
                reader.stdout.close()
        assert len(store.read(UNIT, 0, 2**62)) == 60_000
    assert written > 6 * MB, "it would have grown well beyond the limit"
    assert max(sizes) < 5 * MB
    assert sizes.count(0) >= 2, "it was emptied again and again"


@pytest.mark.usefixtures("small")
def test_a_reader_that_does_not_let_go_holds_it_up_but_not_the_writer(tmp_path, monkeypatch):
    monkeypatch.setattr(wal, "PATIENCE_MS", 50)
    path = tmp_path / "telemetry.db"
    log = path.with_name("telemetry.db-wal")
    with closing(SqliteStore(path)) as store, closing(SqliteReader(path)) as reader:
        store.append(batch(0), received_ms=7)
        reader._connection.execute("BEGIN")
        reader._connection.execute("SELECT count(*) FROM samples").fetchone()
        begun_s = time.monotonic()
        for number in range(1, 30):
            store.append(batch(number * 1_000), received_ms=7)
        grown = log.stat().st_size
        assert grown > 2 * MB
        assert time.monotonic() - begun_s < 20.0
        assert store._connection.execute("PRAGMA busy_timeout").fetchone()[0] == 5_000, "as it was"
        reader._connection.execute("COMMIT")
        for number in range(30, 60):
            store.append(batch(number * 1_000), received_ms=7)
        assert log.stat().st_size < grown + MB, "it grows no further"


def test_what_another_process_wrote_is_heeded(tmp_path):
    """An import adds a column and days while ingest remembers the unit as it was."""
    path = tmp_path / "telemetry.db"
    day = 1_760_054_400_000
    with closing(SqliteStore(path)) as ingest, closing(SqliteStore(path)) as imported:
        ingest.append([Sample(UNIT, 1, 0, day, 2, {"cabinet": 3.0})], received_ms=7)
        imported.append([Sample(UNIT, -1, day + 1, day + 1, 2, {"battery": 12.5})], received_ms=7)
        ingest.append([Sample(UNIT, 1, 1, day + 2, 2, {"compressor": True})], received_ms=7)
        assert set(ingest.read(UNIT, 0, 2**62).columns) == {"cabinet_c", "battery_v", "compressor_on"}
        while ingest.tidy(day + 86_400_000 * 100):
            pass
        again = [Sample(UNIT, -1, day + 1, day + 1, 2, {"battery": 12.5})]
        late = [Sample(UNIT, -1, day + 5, day + 5, 2, {"battery": 13.5})]
        assert imported.append(again + late, received_ms=8).duplicates == 1
        assert ingest.append(again + late, received_ms=9).duplicates == 2


def test_one_thread_reads_while_another_is_in_the_middle_of_a_transaction(tmp_path):
    with closing(SqliteStore(tmp_path / "telemetry.db")) as store:
        store.append(batch(0, 100), received_ms=7)
        counts = []
        thread = threading.Thread(target=lambda: counts.append(len(store.read(UNIT, 0, 2**62))))
        with store._transaction():
            thread.start()
            time.sleep(0.05)
            assert counts == [], "it waits, so it never sees half of what is being written"
        thread.join(5.0)
        assert counts == [100]
