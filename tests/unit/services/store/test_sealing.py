"""Sealing and rolling up in small steps: what is left alone, what comes back, files of earlier versions."""

import sqlite3
from contextlib import closing

import numpy as np
import pyarrow.parquet as pq
import pytest

from deploy import store_care
from deploy.hourrule import mark_for
from services.settings import load_settings
from services.store import chunks, sealing
from services.store.bins import Grid
from services.store.chunks import packed, rows_of, table_of, unpacked, week_of, week_start_ms
from services.store.ledger_reader import LedgerReader
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, ms_of_iso
from tests.helpers.hour_rule import RuleFor

UNIT = "v3-meat"
MONDAY_MS = ms_of_iso("2025-10-06T00:00:00Z")


def samples(days, *, unit=UNIT, step_min=10):
    count = days * 1440 // step_min
    return [
        Sample(
            unit,
            1,
            sq,
            MONDAY_MS + sq * step_min * MINUTE_MS,
            2,
            {"cabinet": sq % 70 / 10 - 1, "compressor": sq % 3 == 0, "supply": "battery"},
        )
        for sq in range(count)
    ]


def tidied(store, now_ms):
    while store.tidy(now_ms):
        pass


def kept_in(store):
    """Return how many samples are rows, and how many are sealed."""
    return store._connection.execute(
        "SELECT (SELECT count(*) FROM samples), (SELECT coalesce(sum(samples), 0) FROM chunks)"
    ).fetchone()


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "telemetry.db")
    yield made
    made.close()


def test_a_week_begins_on_monday_in_utc():
    assert week_start_ms(week_of(MONDAY_MS)) == MONDAY_MS
    assert week_of(MONDAY_MS - 1) == week_of(MONDAY_MS) - 1
    assert week_of(MONDAY_MS + 7 * DAY_MS - 1) == week_of(MONDAY_MS)
    assert week_start_ms(week_of(-1)) <= -1


def test_a_chunk_is_an_ordinary_parquet_file_and_gives_every_cell_back(tmp_path):
    rows = [
        tuple([MONDAY_MS + n, 1, n, 2, 7, None, *([n * 10, None] * len(chunks.NAMES))][: len(chunks.NAMES)])
        for n in range(-3, 50)
    ]
    rows = [(*row[:-1], None if row[2] % 2 else '{"odd": "ä, \\"x\\""}') for row in rows]
    texts = [place for place, name in enumerate(chunks.NAMES) if name in chunks.TEXTS]
    rows = [
        tuple(str(cell) if place in texts and cell is not None else cell for place, cell in enumerate(row))
        for row in rows
    ]
    body = packed(table_of(rows))
    assert rows_of(unpacked(body)) == rows
    file = tmp_path / "week.parquet"
    file.write_bytes(body)
    assert pq.read_table(file).num_rows == len(rows)


def test_weeks_are_sealed_when_they_are_old_enough_and_not_before(store):
    store.append(samples(15), received_ms=7)
    tidied(store, MONDAY_MS + (7 + 28) * DAY_MS - 1)
    assert kept_in(store)[1] == 0
    tidied(store, MONDAY_MS + (7 + 28) * DAY_MS + sealing.LOOK_EVERY_MS)
    assert kept_in(store) == (8 * 144, 7 * 144)
    tidied(store, MONDAY_MS + 60 * DAY_MS)
    assert kept_in(store) == (0, 15 * 144)


def test_a_sample_whose_time_may_still_be_corrected_stays_a_row_until_it_is_settled(store):
    early = [
        Sample(UNIT, 1, sq, MONDAY_MS + sq * 60_000, 0, {"cabinet": 4.0}, up_s=60.0 * sq)
        for sq in range(1, 5)
    ]
    store.append(early, received_ms=7)
    tidied(store, MONDAY_MS + 90 * DAY_MS)
    assert kept_in(store) == (4, 0)
    week = 7 * DAY_MS
    store.append([Sample(UNIT, 1, 5, MONDAY_MS + week + 300_000, 2, {"cabinet": 4.0}, 300.0)], received_ms=8)
    tidied(store, MONDAY_MS + 91 * DAY_MS)
    assert kept_in(store) == (4, 1), "sq 0 might know better when the boot began"
    store.append([Sample(UNIT, 1, 0, MONDAY_MS, 0, {"cabinet": 4.0}, 0.0)], received_ms=9)
    tidied(store, MONDAY_MS + 92 * DAY_MS)
    assert kept_in(store) == (0, 6)
    assert store.read(UNIT, 0, 2**62).t_ms.tolist() == [MONDAY_MS + week + sq * 60_000 for sq in range(6)]


def test_sealing_that_comes_to_nothing_changes_nothing(store, monkeypatch):
    store.append(samples(7), received_ms=7)
    before = store.read(UNIT, 0, 2**62)
    write = store._sealer.write

    def broken(connection, sealed):
        write(connection, sealed)
        raise RuntimeError("after all is written, before it is committed")

    monkeypatch.setattr(store._sealer, "write", broken)
    with pytest.raises(RuntimeError):
        tidied(store, MONDAY_MS + 60 * DAY_MS)
    assert kept_in(store) == (1_008, 0)
    np.testing.assert_array_equal(store.read(UNIT, 0, 2**62).t_ms, before.t_ms)
    monkeypatch.undo()
    tidied(store, MONDAY_MS + 60 * DAY_MS + sealing.LOOK_EVERY_MS)
    assert kept_in(store) == (0, 1_008)
    assert store.append(samples(7)[:50], received_ms=8).duplicates == 50


def test_rows_that_come_between_preparing_and_writing_stop_the_sealing(store):
    store.append([*samples(7)[:500], *samples(7)[501:]], received_ms=7)
    connection = store._connection
    prepared = store._sealer.prepare(connection, (1, week_of(MONDAY_MS)))
    store.append(samples(7)[500:501], received_ms=8)
    with pytest.raises(AssertionError, match="1008 rows would go for 1007"), store._transaction() as inside:
        store._sealer.write(inside, prepared)
    assert kept_in(store) == (1_008, 0)


def test_a_full_week_is_sealed_a_day_at_a_time_and_reads_the_same_at_every_step(store):
    store.append(samples(7, step_min=1), received_ms=7)
    before = store.read(UNIT, 0, 2**62)
    sealed = set()
    while store.tidy(MONDAY_MS + 60 * DAY_MS):
        in_rows, in_chunk = kept_in(store)
        assert in_rows + in_chunk == 7 * 1_440
        sealed.add(in_chunk)
        series = store.read(UNIT, 0, 2**62)
        np.testing.assert_array_equal(series.t_ms, before.t_ms)
        np.testing.assert_array_equal(series.numbers("cabinet_c"), before.numbers("cabinet_c"))
    assert kept_in(store) == (0, 7 * 1_440)
    assert sealed >= {day * sealing.ROWS_AT_ONCE for day in range(1, 7)}


def test_a_clock_that_was_ahead_for_a_while_stops_no_housekeeping(store):
    store.append(samples(7), received_ms=7)
    tidied(store, MONDAY_MS + 3 * DAY_MS)
    store.tidy(MONDAY_MS + 20 * DAY_MS)
    late = [Sample(UNIT, 2, 0, MONDAY_MS + 5, 2, {"cabinet": 30.0})]
    store.append(late, received_ms=8)
    tidied(store, MONDAY_MS + 8 * DAY_MS)
    over = Grid(MONDAY_MS, MONDAY_MS + 7 * DAY_MS, MONDAY_MS, DAY_MS)
    rolled = store._connection.execute("SELECT upto_ms FROM rolled").fetchall()
    assert rolled == [(MONDAY_MS + 7 * DAY_MS,)]
    assert store.binned(UNIT, over, ["cabinet_c"])["cabinet_c"].highest[0] == 30.0


def test_a_unit_never_heard_again_keeps_its_newest_sample_and_its_chart(store):
    store.append(samples(3), received_ms=7)
    newest = store.latest(MONDAY_MS + 3 * DAY_MS)
    years_later = MONDAY_MS + 800 * DAY_MS
    tidied(store, years_later)
    assert kept_in(store)[0] == 0
    assert store.latest(years_later) == newest
    assert not store.tidy(years_later + 2 * HOUR_MS)
    over = Grid(MONDAY_MS, MONDAY_MS + 3 * DAY_MS, MONDAY_MS, HOUR_MS)
    assert store.binned(UNIT, over, ["cabinet_c"])["cabinet_c"].count.tolist() == [6] * 72


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_store_of_an_earlier_version_is_brought_up_to_date_and_then_sealed(tmp_path, version):
    path = tmp_path / "telemetry.db"
    with closing(SqliteStore(path)) as made:
        made.append(samples(10), received_ms=7)
        before, marks = made.read(UNIT, 0, 2**62), made.marks(UNIT)
    older = sqlite3.connect(path)
    gone = ["listed", "counted", "week_counts"]
    if version < 3:
        gone += ["chunks", "chunk_boots", "rolled", "week_hours", "stale_hours"]
    for table in [*gone, *(["runs"] * (version == 1))]:
        older.execute(f"DROP TABLE {table}")
    older.execute(f"PRAGMA user_version = {version}")
    older.execute("PRAGMA journal_mode = DELETE")
    older.execute("PRAGMA auto_vacuum = NONE")
    older.execute("VACUUM")
    older.close()
    size = path.stat().st_size
    rule = RuleFor(30.0)
    with closing(SqliteStore(path, rule=rule)) as newer, closing(SqliteReader(path, rule=rule)) as reader:
        days_ms = MONDAY_MS + np.arange(0, 11, dtype=np.int64) * DAY_MS
        counted = reader.counted(UNIT, "cabinet_c", days_ms)
        tidied(newer, MONDAY_MS + 90 * DAY_MS)
        assert kept_in(newer) == (0, 1_440)
        assert newer._connection.execute("SELECT count(*) FROM week_counts").fetchone() == (2,)
        np.testing.assert_array_equal(reader.counted(UNIT, "cabinet_c", days_ms), counted)
        assert counted[mark_for(5.0)].any()
        np.testing.assert_array_equal(reader.read(UNIT, 0, 2**62).t_ms, before.t_ms)
        assert reader.marks(UNIT) == marks
        over = Grid(MONDAY_MS, MONDAY_MS + 10 * DAY_MS, MONDAY_MS, DAY_MS)
        np.testing.assert_array_equal(
            reader.binned(UNIT, over, ["cabinet_c"])["cabinet_c"].mean,
            LedgerReader.binned(reader, UNIT, over, ["cabinet_c"])["cabinet_c"].mean,
        )
    assert path.stat().st_size >= size, "a file of an earlier version keeps its empty pages"
    (said,) = store_care.compact(load_settings(tmp_path))
    assert "MB before" in said
    assert path.stat().st_size < size
    with closing(SqliteReader(path)) as reader:
        assert len(reader.read(UNIT, 0, 2**62)) == 1_440
        assert reader._connection.execute("PRAGMA auto_vacuum").fetchone()[0] == 2, "2 is INCREMENTAL"


def test_a_new_file_gives_its_empty_pages_back_by_itself(store, tmp_path):
    store.append(samples(35, step_min=1), received_ms=7)
    store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    before = (tmp_path / "telemetry.db").stat().st_size
    tidied(store, MONDAY_MS + 100 * DAY_MS)
    store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    assert (tmp_path / "telemetry.db").stat().st_size < before / 3
