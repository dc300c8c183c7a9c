"""Times ``GET /units`` over 500 cabinets, eight of them changed before every request.

Run ``python -m tests.bench.bench_units [--check]``; with ``--check`` it exits 1 above the target.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

import httpx

from services.records.facade import Records
from services.records.said import Result
from services.store.sqlite import SqliteReader, SqliteStore
from tests.helpers.larder import NOW_MS, Larder, analysis, app_of, cards, fleet
from tests.helpers.web import serving

UNITS = 500
ROUNDS = 30
CHANGED = 8
"""Cabinets that change between two requests: 500 units, one sample a minute, a request each second."""
TARGET_MS = 50.0


def filled(folder):
    records = Records(folder / "records.db")
    model = fleet()
    units = tuple(
        model.units[0].model_copy(update={"id": f"unit-{n:03d}", "name": f"Cabinet {n}"})
        for n in range(UNITS)
    )
    records.apply_fleet(model.model_copy(update={"units": units}), who="operator", now_ms=NOW_MS)
    worst = cards()[0]
    made = analysis(worst)
    results = [
        Result(
            worst.model_copy(update={"unit": unit.id, "name": unit.name}),
            made.model_copy(update={"unit": unit.id}),
            0,
        )
        for unit in units
    ]
    records.write_results(results, now_ms=NOW_MS)
    store = SqliteStore(folder / "telemetry.db")
    return Larder(records, store, SqliteReader(folder / "telemetry.db")), results


def measure(folder):
    larder, results = filled(folder)
    times = {"plain": [], "gzip": []}
    with serving(app_of(larder)) as base, httpx.Client(base_url=base, timeout=30) as client:
        client.get("/api/v1/units")
        for turn in range(ROUNDS):
            for way, encoding in (("plain", "identity"), ("gzip", "gzip")):
                first = (turn * CHANGED) % (UNITS - CHANGED)
                larder.records.write_results(results[first : first + CHANGED], now_ms=NOW_MS)
                start = time.perf_counter()
                answer = client.get("/api/v1/units", headers={"accept-encoding": encoding})
                times[way].append((time.perf_counter() - start) * 1000)
                assert len(answer.json()["items"]) == UNITS
    larder.close()
    return times


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="exit 1 above the target")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        times = measure(Path(folder))
    for way, found in times.items():
        print(
            f"GET /units, {UNITS} units, {way}: median {statistics.median(found):.1f} ms, "
            f"worst of {len(found)} {max(found):.1f} ms (request and answer over loopback)"
        )
    median = statistics.median(times["plain"])
    met = median <= TARGET_MS
    print(f"target {TARGET_MS:.0f} ms: {'met' if met else 'MISSED'}")
    if arguments.check and not met:
        sys.exit(1)


if __name__ == "__main__":
    main()
