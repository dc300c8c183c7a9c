"""Ingest as a process of its own, for tests that kill it: python -m tests.helpers.ingest_process FOLDER URL.

FOLDER/known.txt names the known units, one a line; FOLDER/telemetry.db is the store, or the ledger of one
over the InfluxDB that FOLDER/influx.json tells the way to; what was counted is written to
FOLDER/counted-PID.json several times a second.
"""

import contextlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Self

from services.ingest.access import Access
from services.ingest.link import Link
from services.ingest.worker import Ingest
from services.store import TelemetryStore
from services.store.sqlite import SqliteStore
from services.telemetry import topics

ROOT = Path(__file__).resolve().parents[2]
COUNT_EVERY_S = 0.05


def main(folder: Path, url: str) -> None:
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    store = store_of(folder)
    link = Link(Access(url), topics.service_filters())
    ingest = Ingest(store, link, known_units=lambda: frozenset((folder / "known.txt").read_text().split()))
    counted = folder / f"counted-{os.getpid()}.json"

    def write_counters() -> None:
        while not stop.wait(COUNT_EVERY_S):
            beside = counted.with_suffix(".new")
            beside.write_text(json.dumps({**ingest.counters, "ready": link.epoch}))
            beside.replace(counted)

    writer = threading.Thread(target=write_counters, daemon=True)
    link.start()
    writer.start()
    ingest.run(stop)
    link.stop()
    writer.join()
    counted.write_text(json.dumps({**ingest.counters, "ready": link.epoch}))
    store.close()


def store_of(folder: Path) -> TelemetryStore:
    """Open the store of a folder."""
    influx = folder / "influx.json"
    if influx.exists():  # and only then is its client loaded, which takes long
        from services.store.influx import InfluxStore  # noqa: PLC0415
        from services.store.influx_access import InfluxAccess  # noqa: PLC0415

        return InfluxStore(InfluxAccess(**json.loads(influx.read_text())), folder / "telemetry.db")
    # What is counted afterwards is counted in rows: weeks of long ago are not sealed here.
    return SqliteStore(folder / "telemetry.db", seal_after_days=36_500.0)


class IngestProcess:
    """Starts, kills and ends ingest processes on one store, and remembers what each counted."""

    def __init__(self, folder: Path, url: str) -> None:
        self.folder, self.url = folder, url
        self.lives: list[dict[str, int]] = []
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        if self._process is not None:
            self._process.wait(timeout=1.0)
        with (self.folder / "ingest.err").open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.helpers.ingest_process", str(self.folder), self.url],
                cwd=ROOT,
                stdout=log,
                stderr=log,
            )

    def counted(self) -> dict[str, int]:
        path = self.folder / f"counted-{self._process.pid}.json"
        return json.loads(path.read_text()) if path.exists() else {}

    def wait_for(self, counter: str, least: int, timeout_s: float = 15.0) -> None:
        deadline = time.monotonic() + timeout_s
        while self.counted().get(counter, 0) < least:
            if self._process.poll() is not None:
                raise RuntimeError(f"ingest ended: {(self.folder / 'ingest.err').read_text()[-2000:]}")
            if time.monotonic() > deadline:
                raise RuntimeError(f"{counter} stayed below {least}: {self.counted()}")
            time.sleep(0.01)

    def end(self, how: signal.Signals) -> None:
        """End it and keep what it counted last."""
        process = self._process
        if process is None or process.poll() is not None:
            return
        process.send_signal(how)
        process.wait(timeout=15.0)
        self.lives.append(self.counted())

    def wait_until_stored(self, path: Path, rows: int, timeout_s: float) -> None:
        deadline = time.monotonic() + timeout_s
        with contextlib.closing(sqlite3.connect(path)) as connection:
            while (found := connection.execute("SELECT count(*) FROM samples").fetchone()[0]) < rows:
                if time.monotonic() > deadline:
                    raise RuntimeError(f"{found} of {rows} stored: {self.counted()}")
                time.sleep(0.1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end(signal.SIGKILL)

    def kill_at_random(self, rng: random.Random, *, longest_s: float) -> None:
        """Kill it somewhere after its first message."""
        self.wait_for("received", 1)
        time.sleep(rng.uniform(0.0, longest_s))
        self.end(signal.SIGKILL)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
