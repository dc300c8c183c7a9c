"""What the InfluxDB store costs: durable appends, a year of a unit, its chart, the newest of 500 units.

python -m tests.bench.bench_influx [--days N]
"""

import argparse
import contextlib
import tempfile
import time
from pathlib import Path

import numpy as np

from services.store.bins import grid
from services.store.influx import InfluxStore
from services.store.influx_server import InfluxServer
from services.store.influx_setup import set_up
from services.store.sqlite import SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.influx_server import InfluxServers

START_MS = 1_760_000_000_000
PORTION = 5_000


def samples_of(unit, numbers, rng):
    cabinet = rng.normal(3.0, 0.8, len(numbers))
    return [
        Sample(
            unit,
            1,
            sq,
            START_MS + sq * MINUTE_MS,
            2,
            {"cabinet": float(value), "battery": 12.5 - sq % 50 / 100, "compressor": sq % 3 == 0},
        )
        for sq, value in zip(numbers, cabinet, strict=True)
    ]


def timed(work):
    """Return wall and own processor time of a call, in s, and what it returned."""
    wall, own = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - wall, time.process_time() - own, result


def tidied(store, now_ms):
    while store.tidy(now_ms):
        pass


def measured(name, store, days):
    rng = np.random.default_rng(1)
    small = [samples_of(f"unit-{n:03d}", range(1), rng) for n in range(500)]
    wall_s, own_s, _ = timed(lambda: [store.append(each, received_ms=7) for each in small[:200]])
    print(f"{name}: one sample, one commit: {wall_s / 200 * 1e3:.2f} ms, own {own_s / 200 * 1e6:.0f} µs")
    store.append([sample for each in small[200:] for sample in each], received_ms=7)
    hundreds = samples_of("unit-one", range(20_000), rng)
    wall_s, own_s, _ = timed(
        lambda: [store.append(hundreds[at : at + 100], received_ms=7) for at in range(0, len(hundreds), 100)]
    )
    rate, cost_us = len(hundreds) / wall_s, own_s / len(hundreds) * 1e6
    print(f"{name}: commits of 100: {rate:,.0f} samples/s, own {cost_us:.1f} µs each")
    year = samples_of("unit-year", range(days * 1440), rng)
    for at in range(0, len(year), PORTION):
        store.append(year[at : at + PORTION], received_ms=7)
    end_ms = START_MS + days * DAY_MS
    wall_s, own_s, _ = timed(lambda: tidied(store, end_ms + DAY_MS))
    print(f"{name}: housekeeping after all that: {wall_s:.1f} s, own {own_s:.1f} s")
    for what, work in {
        f"read {days} days": lambda: store.read("unit-year", START_MS, end_ms),
        "read 8 days": lambda: store.read("unit-year", end_ms - 8 * DAY_MS, end_ms),
        f"chart of {days} days": lambda: store.binned(
            "unit-year", grid(START_MS, end_ms, 2_000), ["cabinet_c", "battery_v", "compressor_on"]
        ),
        "newest of all units": lambda: store.latest(end_ms),
        "span": lambda: store.span_of("unit-year"),
    }.items():
        runs = sorted(timed(work)[:2] for _ in range(3))
        print(f"{name}: {what}: {runs[1][0]:.3f} s, own {runs[1][1]:.3f} s")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    days = parser.parse_args().days
    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
        servers = InfluxServers(Path(folder) / "influx")
        stack.callback(servers.stop)
        access = servers.empty_bucket()
        with contextlib.closing(InfluxServer(access)) as server:
            set_up(server, keep_days=None)
        measured("influx", InfluxStore(access, Path(folder) / "ledger.db"), days)
        size = sum(file.stat().st_size for file in (Path(folder) / "influx").rglob("*") if file.is_file())
        print(f"influx: {size / (days * 1440 + 20_500):.1f} bytes a sample in the server's folder")
        measured("sqlite", SqliteStore(Path(folder) / "telemetry.db"), days)


if __name__ == "__main__":
    main()
