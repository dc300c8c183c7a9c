"""Reading what every store writes down beside its samples, from any process, in short transactions."""

import json
import sqlite3
import threading
from abc import ABC, abstractmethod
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

from services.store.bins import Bins, Grid, gathered
from services.store.counting import CountRule
from services.store.faults import unavailable
from services.store.protocol import Change, Latest, Message, Reject, Skipped, UnitStatus, Waiting
from services.store.schema import IMPORTED_BID, connect
from services.telemetry import Rejected, Series
from services.timebase import MINUTE_MS, Span

AHEAD_MS = 5 * MINUTE_MS
"""A sample dated further ahead of now than this is kept but is never the latest (design 3.1)."""

_BOOTS_WITH_BACKLOG = (
    "SELECT unit_no, bid FROM boots JOIN units USING (unit_no) WHERE unit = ? AND bid != ? AND newest > mark"
)
AMONG = " WHERE unit IN (SELECT value FROM json_each(?))"
_UNITS_WITH_BACKLOG = (
    f"SELECT DISTINCT unit FROM units JOIN boots USING (unit_no){AMONG}"  # noqa: S608 - a text of our own
    " AND bid != ? AND newest > mark"
)
_RUNS = "SELECT from_sq, first_ms, last_ms FROM runs WHERE unit_no = ? AND bid = ? ORDER BY from_sq"


def listed(units: Collection[str]) -> str:
    """Return units as the one argument of `AMONG`."""
    return json.dumps(sorted(units))


class LedgerReader(ABC):
    """The reading side of a store but for its samples, which each kind of store keeps in its own way.

    Safe to share between threads.
    """

    _writer = False

    def __init__(self, path: Path | str, *, rule: CountRule | None = None) -> None:
        """Open the file, creating an empty store when there is none yet; `rule` is for `counted`."""
        self.path = Path(path)
        self._rule = rule
        self._lock = threading.RLock()
        self._connection = connect(self.path, writer=self._writer)

    @abstractmethod
    def read(self, unit: str, start_ms: int, end_ms: int, columns: Sequence[str] | None = None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``, in order of time, then bid and sq."""

    def binned(self, unit: str, over: Grid, columns: Sequence[str]) -> Mapping[str, Bins]:
        """Return columns of numbers or booleans in bins of time, in the order asked for."""
        series = self.read(unit, over.start_ms, over.end_ms, columns)
        return {
            column: gathered(series.t_ms, series.numbers(column), over).bins(over.t_ms) for column in columns
        }

    @abstractmethod
    def span_of(self, unit: str) -> tuple[int, int] | None:
        """Return the oldest and newest sample time of a unit, None when it has none."""

    @abstractmethod
    def latest(self, now_ms: int, units: Collection[str] | None = None) -> Mapping[str, Latest]:
        """Return the newest sample of every unit, or of some, with ``t_ms <= now_ms + 5 min``."""

    @abstractmethod
    def _newest_before(self, unit: str, t_ms: int) -> int | None:
        """Return the time of the last dated sample of a unit, of any boot, before an instant."""

    def close(self) -> None:
        """Release the connection."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def _access(self) -> Iterator[sqlite3.Connection]:
        """Hold the connection; a locked, full or vanished file is a dependency, not a crash."""
        with self._lock:
            try:
                yield self._connection
            except sqlite3.OperationalError as error:
                raise unavailable(error) from error

    def _rows(self, query: str, *arguments: object) -> list[Any]:
        with self._access() as connection:
            return connection.execute(query, arguments).fetchall()

    def _unit(self, unit: str) -> tuple[int, int] | None:
        """Return the number of a unit and which columns it has ever sent, as bits."""
        rows = self._rows("SELECT unit_no, columns FROM units WHERE unit = ?", unit)
        return (rows[0][0], rows[0][1]) if rows else None

    def changes_after(self, change_no: int, limit: int = 10_000) -> Sequence[Change]:
        """Return changes with a higher number, oldest first.

        A reader further behind than the feed is kept is told that everything may have changed.
        """
        oldest = self._rows("SELECT min(change_no) FROM changes")[0][0]
        if oldest is not None and change_no < oldest - 1:
            units = [row[0] for row in self._rows("SELECT unit FROM units ORDER BY unit")]
            spans = [(unit, self.span_of(unit)) for unit in units]
            return [Change(oldest - 1, unit, *span) for unit, span in spans if span is not None]
        rows = self._rows(
            "SELECT change_no, unit, t_min_ms, t_max_ms FROM changes JOIN units USING (unit_no)"
            " WHERE change_no > ? ORDER BY change_no LIMIT ?",
            change_no,
            limit,
        )
        return [Change(*row) for row in rows]

    def marks(self, unit: str) -> Mapping[int, int]:
        """Return, per bid, the highest sq held without a gap from 0; -1 when sq 0 is missing."""
        return self._per_boot("mark", unit)

    def newest_sq(self, unit: str) -> Mapping[int, int]:
        """Return, per bid, the highest sq held; above the mark it means a backlog is known."""
        return self._per_boot("newest", unit)

    def _per_boot(self, column: str, unit: str) -> dict[int, int]:
        query = f"SELECT bid, {column} FROM boots JOIN units USING (unit_no) WHERE unit = ? AND bid != ?"  # noqa: S608
        return dict(self._rows(query, unit, IMPORTED_BID))

    def backlogged(self, units: Collection[str]) -> frozenset[str]:
        """Return those of some units of which samples are known to exist that are not held."""
        rows = self._rows(_UNITS_WITH_BACKLOG, listed(units), IMPORTED_BID)
        return frozenset(row[0] for row in rows)

    def missing_spans(self, unit: str) -> Sequence[Span]:
        """Return the stretches of time in which samples are known to exist that are not held."""
        found = []
        for unit_no, bid in self._rows(_BOOTS_WITH_BACKLOG, unit, IMPORTED_BID):
            dated = [row for row in self._rows(_RUNS, unit_no, bid) if row[1] is not None]
            ends = [(before[2], after[1]) for before, after in pairwise(dated)]
            if dated and dated[0][0] > 0:
                ends.append((self._newest_before(unit, dated[0][1]) or 0, dated[0][1]))
            found += [Span(start, end) for start, end in ends if start < end]
        return sorted(found)

    def skipped(self, unit: str) -> Sequence[Skipped]:
        """Return stretches declared missing."""
        rows = self._rows(
            "SELECT bid, from_sq, to_sq, reason FROM skipped JOIN units USING (unit_no) WHERE unit = ?"
            " ORDER BY bid, from_sq",
            unit,
        )
        return [Skipped(*row) for row in rows]

    def waiting(self) -> Sequence[Waiting]:
        """Return the unknown units that knock."""
        rows = self._rows(
            "SELECT unit, count(*), min(received_ms), max(received_ms) FROM waiting GROUP BY unit"
        )
        return [Waiting(*row) for row in rows]

    def quarantine_count(self) -> int:
        """Return how many rejects are kept."""
        return int(self._rows("SELECT count(*) FROM quarantine")[0][0])

    def quarantine(self, limit: int = 100) -> Sequence[Reject]:
        """Return the newest rejects, newest first."""
        rows = self._rows(
            "SELECT reason, detail, unit, bid, sq, channel, topic, payload, received_ms"
            " FROM quarantine ORDER BY number DESC LIMIT ?",
            limit,
        )
        return [Reject(Rejected(*row[:6]), *row[6:]) for row in rows]

    def statuses(self, units: Collection[str] | None = None) -> Mapping[str, UnitStatus]:
        """Return what every unit, or some, last said about itself."""
        query = "SELECT unit, s, bid, next_s, fw, received_ms FROM unit_status"
        rows = self._rows(query) if units is None else self._rows(query + AMONG, listed(units))
        return {row[0]: UnitStatus(*row) for row in rows}

    def messages_after(self, number: int, limit: int = 1_000) -> Sequence[Message]:
        """Return events and replies with a higher number, oldest first."""
        rows = self._rows(
            "SELECT number, unit, leaf, body, correlation, received_ms FROM messages"
            " WHERE number > ? ORDER BY number LIMIT ?",
            number,
            limit,
        )
        return [Message(*row) for row in rows]

    def sent_commands(self) -> Mapping[str, int]:
        """Return, per command, when it was handed to the broker, in ms since the epoch."""
        return dict(self._rows("SELECT command, sent_ms FROM sent_commands"))

    def counters(self) -> Mapping[str, int]:
        """Return what was dropped to stay within bounds, by name."""
        return dict(self._rows("SELECT name, value FROM counters"))
