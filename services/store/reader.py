"""Reading the embedded store from any process; every read is its own short transaction."""

import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from services.errors import DependencyUnavailable
from services.store.protocol import (
    Change,
    Latest,
    Message,
    Reject,
    Skipped,
    UnitStatus,
    Waiting,
)
from services.store.schema import IMPORTED_BID, VALUE_COLUMNS, connect, values_of
from services.telemetry import NUMERIC_COLUMNS, TEXT_COLUMNS, Rejected, Series
from services.timebase import MINUTE_MS, Span

AHEAD_MS = 5 * MINUTE_MS
"""A sample dated further ahead of now than this is kept but is never the latest (design 3.1)."""

_LATEST = (
    f"SELECT t_ms, received_ms, {', '.join(VALUE_COLUMNS)}, extra FROM samples"  # noqa: S608 - own names
    " WHERE unit_no = ? AND t_ms <= ? AND tq >= 0 ORDER BY t_ms DESC, bid DESC, sq DESC LIMIT 1"
)

_BOOTS_WITH_BACKLOG = (
    "SELECT unit_no, bid, mark FROM boots JOIN units USING (unit_no)"
    " WHERE unit = ? AND bid != ? AND newest > mark"
)
_AROUND_GAPS = (
    "SELECT before_ms, t_ms FROM (SELECT sq, t_ms, lag(sq) OVER (ORDER BY sq) AS before_sq,"
    " lag(t_ms) OVER (ORDER BY sq) AS before_ms FROM samples WHERE unit_no = :unit AND bid = :bid AND tq >= 0"
    " AND sq >= coalesce((SELECT max(sq) FROM samples"
    " WHERE unit_no = :unit AND bid = :bid AND sq <= :mark), 0)) WHERE sq > before_sq + 1"
)
"""The mark itself may be a number declared missing: begin at the newest sample at or below it."""
_FIRST_OF_BOOT = (
    "SELECT s.t_ms, coalesce((SELECT max(e.t_ms) FROM samples e WHERE e.unit_no = s.unit_no"
    " AND e.t_ms < s.t_ms AND e.tq >= 0), 0) FROM samples s"
    " WHERE s.unit_no = ? AND s.bid = ? AND s.tq >= 0 ORDER BY s.sq LIMIT 1"
)
"""The first sample of a boot whose number 0 is missing, and the last sample of any kind before it."""


class SqliteReader:
    """The `StoreReader` over one SQLite file; safe to share between threads."""

    _writer = False

    def __init__(self, path: Path | str) -> None:
        """Open the file, creating an empty store when there is none yet."""
        self._path = Path(path)
        self._lock = threading.RLock()
        self._connection = connect(self._path, writer=self._writer)

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
                raise DependencyUnavailable(f"the telemetry store does not answer: {error}") from error

    def _rows(self, query: str, *arguments: object) -> list[Any]:
        with self._access() as connection:
            return connection.execute(query, arguments).fetchall()

    def _unit(self, unit: str) -> tuple[int, int] | None:
        rows = self._rows("SELECT unit_no, columns FROM units WHERE unit = ?", unit)
        return (rows[0][0], rows[0][1]) if rows else None

    def read(self, unit: str, start_ms: int, end_ms: int, columns: Sequence[str] | None = None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``, in order of time, then bid and sq."""
        known = self._unit(unit)
        if known is None:
            return Series.empty()
        unit_no, mask = known
        wanted = [
            column
            for place, column in enumerate(VALUE_COLUMNS)
            if mask >> place & 1 and (columns is None or column in columns)
        ]
        rows = self._rows(
            f"SELECT {', '.join(['t_ms', *wanted])} FROM samples"  # noqa: S608 - names of our own columns
            " WHERE unit_no = ? AND t_ms >= ? AND t_ms < ? AND tq >= 0 ORDER BY t_ms, bid, sq",
            unit_no,
            start_ms,
            end_ms,
        )
        return _series_of(rows, wanted)

    def span_of(self, unit: str) -> tuple[int, int] | None:
        """Return the oldest and newest sample time of a unit, None when it has none."""
        rows = self._rows(
            "SELECT (SELECT min(t_ms) FROM samples WHERE unit_no = units.unit_no AND tq >= 0),"
            " (SELECT max(t_ms) FROM samples WHERE unit_no = units.unit_no AND tq >= 0)"
            " FROM units WHERE unit = ?",
            unit,
        )
        return (rows[0][0], rows[0][1]) if rows and rows[0][0] is not None else None

    def latest(self, now_ms: int) -> Mapping[str, Latest]:
        """Return the newest sample of every unit with ``t_ms <= now_ms + 5 min``."""
        found = {}
        with self._access() as connection:
            for unit_no, unit in connection.execute("SELECT unit_no, unit FROM units").fetchall():
                row = connection.execute(_LATEST, (unit_no, now_ms + AHEAD_MS)).fetchone()
                if row is not None:
                    found[unit] = Latest(unit, row[0], row[1], values_of(row[2:]))
        return found

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

    def missing_spans(self, unit: str) -> Sequence[Span]:
        """Return the stretches of time in which samples are known to exist that are not held."""
        found = []
        for unit_no, bid, mark in self._rows(_BOOTS_WITH_BACKLOG, unit, IMPORTED_BID):
            with self._access() as connection:
                rows = connection.execute(
                    _AROUND_GAPS, {"unit": unit_no, "bid": bid, "mark": mark}
                ).fetchall()
            if mark < 0:
                first = self._rows(_FIRST_OF_BOOT, unit_no, bid)
                rows += [(start, end) for end, start in first]
            found += [Span(start, end) for start, end in rows if start < end]
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

    def statuses(self) -> Mapping[str, UnitStatus]:
        """Return what every unit last said about itself."""
        rows = self._rows("SELECT unit, s, bid, next_s, fw, received_ms FROM unit_status")
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


def _series_of(rows: Sequence[tuple[Any, ...]], wanted: Sequence[str]) -> Series:
    """Turn rows into columns; numbers come back from milli-units."""
    if not rows:
        return Series.empty()
    by_column = list(zip(*rows, strict=True))
    columns: dict[str, npt.NDArray[Any]] = {}
    for name, stored in zip(wanted, by_column[1:], strict=True):
        if name in TEXT_COLUMNS:
            columns[name] = np.array(stored, dtype=object)
        else:
            values = np.array(stored, dtype=np.float64)  # None becomes NaN
            columns[name] = values / 1000.0 if name in NUMERIC_COLUMNS else values
    return Series(np.array(by_column[0], dtype=np.int64), columns)
