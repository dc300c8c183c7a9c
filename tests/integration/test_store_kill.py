"""Killing a store's writer while it commits, seals weeks, merges late samples, rolls up and counts.

What a kill leaves behind is what the operating system was given; losing power is another matter, which
cannot be tried here: that a commit is flushed before it returns is SQLite's `synchronous = FULL`.
"""

import contextlib
import random
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from services.store.bins import grid
from services.store.ledger_reader import LedgerReader
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import milli_of
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.store_process import RULE, START_MS, STEP_MS, UNITS, sample_of

pytestmark = pytest.mark.integration

KILLS = 8


def test_a_writer_killed_at_any_moment_loses_and_doubles_nothing(tmp_path):
    path = tmp_path / "telemetry.db"
    rng = random.Random(8)  # noqa: S311 - moments, not secrets
    confirmed = {unit: set() for unit in UNITS}
    sealed = grew = 0
    for _ in range(KILLS):
        _run_and_kill(path, rng, confirmed)
        with contextlib.closing(SqliteReader(path, rule=RULE)) as reader:
            grew += _count(path, "chunks") > sealed
            sealed = _count(path, "chunks")
            for unit in UNITS:
                _assert_whole(reader, unit, confirmed[unit])
    assert grew > KILLS // 4, "weeks were sealed while the killing went on"
    with contextlib.closing(SqliteStore(path, seal_after_days=2.0, rule=RULE)) as store:
        while store.tidy(START_MS + 10_000 * DAY_MS):
            pass
        for unit in UNITS:
            _assert_whole(store, unit, confirmed[unit])
    assert _count(path, "samples") == 0, "in the end everything is sealed"
    assert _count(path, "week_counts") >= _count(path, "chunks"), "and counted"


def _run_and_kill(path, rng, confirmed):
    """Let a writer commit some times, kill it a moment later, note what it said it had committed."""
    command = [sys.executable, "-m", "tests.helpers.store_process", str(path), str(rng.randrange(1_000))]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        lines = [process.stdout.readline() for _ in range(rng.randrange(1, 9))]
        time.sleep(rng.uniform(0.0, 0.06))
        process.kill()
        lines += process.stdout.read().split("\n")[:-1]  # what follows the last line break was cut short
    assert lines[0], "the writer did not even begin"
    for line in lines:
        unit, *numbers = line.split()
        if unit != "done":
            confirmed[unit].update(map(int, numbers))


def _count(path, table):
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608 - our own names


def _assert_whole(reader, unit, confirmed):
    """Every confirmed sample is there once, none is wrong, and what is rolled up agrees."""
    series = reader.read(unit, 0, 2**62)
    numbers = (series.t_ms - START_MS) // STEP_MS
    assert len(set(numbers.tolist())) == numbers.size, "doubled"
    assert confirmed <= set(numbers.tolist()), "lost"
    cabinet = np.rint(series.numbers("cabinet_c") * 1000).astype(int).tolist()
    assert cabinet == [milli_of(sample_of(unit, sq).values["cabinet"]) for sq in numbers.tolist()]
    assert reader.newest_sq(unit) == {1: numbers.max()}
    over = grid(START_MS, int(series.t_ms[-1]) + 1, 300)
    rolled = reader.binned(unit, over, ["cabinet_c"])["cabinet_c"]
    raw = LedgerReader.binned(reader, unit, over, ["cabinet_c"])["cabinet_c"]
    for part in ("lowest", "highest", "mean", "count"):
        np.testing.assert_array_equal(getattr(rolled, part), getattr(raw, part))
    first_ms, end_ms = (int(t_ms) // HOUR_MS * HOUR_MS for t_ms in series.t_ms[[0, -1]])
    if first_ms < end_ms:
        hours_ms = np.arange(first_ms, end_ms + 1, HOUR_MS, dtype=np.int64)
        of_samples = reader._of_samples(unit, "cabinet_c", first_ms, end_ms)
        np.testing.assert_array_equal(reader.counted(unit, "cabinet_c", hours_ms), of_samples)
