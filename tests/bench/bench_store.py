"""What a long history costs: rows, sealed weeks, hourly roll-ups, an InfluxDB; and what housekeeping delays.

Run ``python -m tests.bench.bench_store --check`` (exit 1 beyond a limit), ``--influx`` for a real server too.
Times are processor time of this process, for the server wall time; limits that compare are ratios within
one run. One unit sends a sample a minute, with the noise and digits of a real sensor.
"""

import argparse
import contextlib
import gc
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil

from services.logs import start_logs
from services.store.bins import grid
from services.store.influx import InfluxStore
from services.store.influx_server import InfluxServer
from services.store.influx_setup import set_up
from services.store.ledger_reader import LedgerReader
from services.store.sqlite import SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.hour_rule import RuleFor
from tests.helpers.influx_server import InfluxServers

START_MS = 1_759_708_800_000
UNIT = "unit-year"
COLUMNS = ["cabinet_c", "battery_v", "compressor_on"]
PORTION = 5_000
CHART_MS, SEALED_GAIN, ROLLED_GAIN, SEALED_BYTES = 200.0, 5.0, 20.0, 6.0
COUNTED_GAIN, PIECE_MS, LONGEST_PIECE_MS = 10.0, 50.0, 150.0
"""Limits: design 6 names the first; the others leave room beyond what was measured when they were written.
A commit waits while a piece of housekeeping is done: it must not notice more than its own flush."""
AT_REST_S = 0.02
"""Processor time a second of a server that does nothing much."""


def samples_of(numbers, rng):
    """Return a compressor's cycle with sensor noise of 0.05 K and 10 mV, in thousandths."""
    cycle = (np.asarray(numbers) % 37) / 37
    cabinet = np.round(3.0 + 2.0 * np.abs(cycle - 0.5) + rng.normal(0, 0.05, len(numbers)), 2)
    battery = np.round(12.6 - 0.3 * (cycle < 0.4) + rng.normal(0, 0.01, len(numbers)), 2)
    return [
        Sample(
            UNIT,
            1,
            sq,
            START_MS + sq * MINUTE_MS + int(late),
            2,
            {"cabinet": float(cold), "battery": float(volts), "compressor": bool(on < 0.4)},
        )
        for sq, cold, volts, on, late in zip(
            numbers, cabinet, battery, cycle, rng.integers(0, 200, len(numbers)), strict=True
        )
    ]


def cost_ms(work, *, wall=False, times=3):
    clock = time.perf_counter if wall else time.process_time
    found = []
    for _ in range(times):
        begun = clock()
        work()
        found.append((clock() - begun) * 1e3)
    return statistics.median(found)


def quantiles(times_ms):
    ordered = sorted(times_ms)
    return ordered[len(ordered) // 2], ordered[int(len(ordered) * 0.95)], ordered[-1]


def reads(name, store, days, *, wall=False):
    """Print and return what questions cost."""
    end_ms = START_MS + days * DAY_MS
    found = {
        "read a year, one column": lambda: store.read(UNIT, end_ms - 365 * DAY_MS, end_ms, ["cabinet_c"]),
        "read a year": lambda: store.read(UNIT, end_ms - 365 * DAY_MS, end_ms),
        "read 8 days": lambda: store.read(UNIT, end_ms - 8 * DAY_MS, end_ms),
        f"chart of {days} days": lambda: store.binned(UNIT, grid(START_MS, end_ms, 2_000), COLUMNS),
        "chart of 8 days": lambda: store.binned(UNIT, grid(end_ms - 8 * DAY_MS, end_ms, 2_000), COLUMNS),
        "newest": lambda: store.latest(end_ms),
    }
    costs = {what: cost_ms(work, wall=wall) for what, work in found.items()}
    for what, cost in costs.items():
        print(f"{name}: {what}: {cost:.1f} ms")
    return costs


def size_of(store):
    store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    return store.path.stat().st_size


def fill(store, days):
    rng = np.random.default_rng(1)
    for at in range(0, days * 1440, PORTION):
        store.append(samples_of(range(at, min(at + PORTION, days * 1440)), rng), received_ms=START_MS)


def embedded(folder, days):
    """Return whether each limit holds."""
    store = SqliteStore(folder / "telemetry.db", rule=RuleFor(3.0))
    fill(store, days)
    count, end_ms = days * 1440, START_MS + days * DAY_MS
    row_bytes = size_of(store) / count
    in_rows = reads("rows", store, days)
    gc.collect()
    gc.freeze()  # as the ingest process does once it is loaded
    pieces, pieces_cpu = [], []
    more = True
    while more:
        begun, cpu = time.perf_counter(), time.process_time()
        more = store.tidy(end_ms + 60 * DAY_MS)
        pieces.append((time.perf_counter() - begun) * 1e3)
        pieces_cpu.append((time.process_time() - cpu) * 1e3)
    sealed_bytes = size_of(store) / count
    print(f"bytes a sample: {row_bytes:.1f} in rows, {sealed_bytes:.1f} sealed, roll-ups included")
    for what, times in (("wall", pieces), ("processor", pieces_cpu)):
        print(
            f"housekeeping in {len(times)} pieces, {what} p50/p95/max: "
            + "/".join(f"{each:.0f}" for each in quantiles(times))
            + " ms"
        )
    sealed = reads("sealed", store, days)
    over = grid(START_MS, end_ms, 2_000)
    from_chunks = cost_ms(lambda: LedgerReader.binned(store, UNIT, over, COLUMNS))
    print(f"sealed: the same chart without roll-ups: {from_chunks:.1f} ms")
    weeks_ms = np.arange(START_MS, end_ms + 1, 7 * DAY_MS, dtype=np.int64)
    counted = cost_ms(lambda: store.counted(UNIT, "cabinet_c", weeks_ms))
    print(f"sealed: time above 12 marks by week, from hours: {counted:.1f} ms")
    of_samples = cost_ms(
        lambda: store._of_samples(UNIT, "cabinet_c", int(weeks_ms[0]), int(weeks_ms[-1])), times=1
    )
    print(f"sealed: the same from samples: {of_samples:.1f} ms")
    commits(store, days)
    store.close()
    chart = f"chart of {days} days"
    return {
        f"{chart} within {CHART_MS:.0f} ms": sealed[chart] <= CHART_MS,
        f"a sealed year read {SEALED_GAIN:.0f} times as fast as rows": in_rows["read a year"]
        >= SEALED_GAIN * sealed["read a year"],
        f"{chart} {ROLLED_GAIN:.0f} times as fast as from rows": in_rows[chart]
        >= ROLLED_GAIN * sealed[chart],
        f"time above marks {COUNTED_GAIN:.0f} times as fast from hours": of_samples >= COUNTED_GAIN * counted,
        f"at most {SEALED_BYTES} bytes a sealed sample": sealed_bytes <= SEALED_BYTES,
        f"half of the pieces of housekeeping within {PIECE_MS:.0f} ms of processor time": quantiles(
            pieces_cpu
        )[0]
        <= PIECE_MS,
        f"none beyond {LONGEST_PIECE_MS:.0f} ms": max(pieces_cpu) <= LONGEST_PIECE_MS,
    }


def commits(store, days):
    """Print what a commit of 20 units takes by itself, and while a week of each of them is being tidied."""
    at_ms = START_MS + days * DAY_MS
    units = [f"unit-{number:02d}" for number in range(20)]
    values = {"cabinet": 3.21, "battery": 12.4, "compressor": True}
    for unit in units:
        store.append(
            [Sample(unit, 1, sq, at_ms + sq * MINUTE_MS, 2, values) for sq in range(8 * 1440)], received_ms=7
        )
    for what, tidying in (("by itself", False), ("while weeks are rolled up and sealed", True)):
        took = []
        for number in range(200):
            sq = 20_000 + number + 1_000 * tidying
            batch = [Sample(unit, 1, sq, at_ms + sq * MINUTE_MS, 2, values) for unit in units]
            begun = time.perf_counter()
            if tidying and number % 5 == 0:  # about once a second at five commits a second
                store.tidy(at_ms + 61 * DAY_MS)
            store.append(batch, received_ms=7)
            took.append((time.perf_counter() - begun) * 1e3)
        print(
            f"commit of {len(units)} samples {what}, wait included, p50/p95/max: "
            + "/".join(f"{each:.0f}" for each in quantiles(took))
            + " ms"
        )


def served(folder, days):
    """Return whether the limit of a real server holds: a year's chart from its hourly roll-up."""
    servers = InfluxServers(folder / "influx")
    access = servers.empty_bucket()
    with contextlib.closing(InfluxServer(access)) as server:
        set_up(server, keep_days=None)
    end_ms = START_MS + days * DAY_MS
    over = grid(max(START_MS, end_ms - 365 * DAY_MS), end_ms, 2_000)
    with contextlib.closing(InfluxStore(access, folder / "ledger.db")) as store:
        fill(store, days)
        while store.tidy(end_ms + DAY_MS):
            pass
        reads("InfluxDB", store, days, wall=True)
        own_ms, server_ms, wall_ms = year_chart(store, servers, over)
    print(
        f"InfluxDB: chart of a year: processor {own_ms:.0f} ms here, {server_ms:.0f} ms there,"
        f" {wall_ms:.0f} ms in all by the clock"
    )
    size = sum(file.stat().st_size for file in (folder / "influx").rglob("*") if file.is_file())
    print(f"InfluxDB: {size / (days * 1440):.1f} bytes a sample in the server's folder")
    servers.stop()
    return {
        f"an InfluxDB's chart of a year within {CHART_MS:.0f} ms of processor time": own_ms + server_ms
        <= CHART_MS
    }


def year_chart(store, servers, over, times=10):
    """Return processor time here and at the server, and time by the clock, of one chart."""
    processes = [
        each
        for process in servers.processes()
        for each in (psutil.Process(process.pid), *psutil.Process(process.pid).children(recursive=True))
    ]

    def spent_s():
        return sum(sum(each.cpu_times()[:2]) for each in processes)

    for _ in range(60):  # what was written is still being sorted there
        before_s = spent_s()
        time.sleep(1.0)
        if spent_s() - before_s < AT_REST_S:
            break
    wall_s, own_s, server_s = time.perf_counter(), time.process_time(), spent_s()
    for _ in range(times):
        store.binned(UNIT, over, COLUMNS)
    spans = (time.process_time() - own_s, spent_s() - server_s, time.perf_counter() - wall_s)
    return tuple(each * 1e3 / times for each in spans)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="exit 1 beyond a limit")
    parser.add_argument("--days", type=int, default=730)
    parser.add_argument("--influx", action="store_true", help="a real InfluxDB too")
    options = parser.parse_args()
    start_logs("bench", "warning")
    with tempfile.TemporaryDirectory() as folder:
        held = embedded(Path(folder), options.days)
        if options.influx:
            held |= served(Path(folder), options.days)
    for what, holds in held.items():
        print(f"{'held' if holds else 'NOT HELD'}: {what}")
    return 0 if all(held.values()) or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
