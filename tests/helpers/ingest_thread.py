"""Ingest in a thread of the test, on a real broker and a real store."""

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from services.ingest.access import Access
from services.ingest.brokerlog import FILTERS, Alert
from services.ingest.link import Link
from services.ingest.worker import Ingest
from services.store.sqlite import SqliteStore
from services.telemetry import topics


class Running:
    """A working ingest and what a test wants to look at or change."""

    def __init__(self, url: str | Access, folder: Path, known: set[str]) -> None:
        self.known = known
        self.queued: list[object] = []
        self.beats = 0
        self.said: Mapping[str, Any] = {}
        self.store = SqliteStore(folder / "telemetry.db")
        access = Access(url) if isinstance(url, str) else url
        self.alerts: list[Alert] = []
        self.link = Link(access, (*topics.service_filters(), *FILTERS))
        self.ingest = Ingest(
            self.store,
            self.link,
            known_units=lambda: frozenset(self.known),
            outbox=lambda after: [each for each in self.queued if each.id > after],
            heartbeat=self._beat,
            alert=self.alerts.append,
        )
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.ingest.run, args=(self.stop,), daemon=True)

    def _beat(self, said: Mapping[str, Any]) -> None:
        self.beats += 1
        self.said = said

    @property
    def counters(self) -> dict[str, int]:
        return self.ingest.counters

    def wait_for(self, condition: Callable[[], bool], timeout_s: float = 10.0) -> bool:
        """Return whether something came true in time."""
        deadline = time.monotonic() + timeout_s
        while not condition():
            if time.monotonic() > deadline:
                return False
            time.sleep(0.02)
        return True


@contextlib.contextmanager
def running_ingest(url: str | Access, folder: Path, *, known: set[str]) -> Iterator[Running]:
    """Give a connected ingest, and stop it afterwards."""
    running = Running(url, folder, known)
    running.link.start()
    running.thread.start()
    try:
        assert running.wait_for(lambda: running.link.connected), "ingest did not connect"
        yield running
    finally:
        running.stop.set()
        running.thread.join(10.0)
        running.link.stop()
        running.store.close()
