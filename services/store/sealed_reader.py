"""Reading samples of one file wherever they are kept: in rows, or in the sealed chunks of old weeks."""

import sqlite3
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from services.store.chunks import HEAD, rows_of, unpacked
from services.store.ledger_reader import AHEAD_MS, AMONG, listed
from services.store.protocol import Latest
from services.store.row_reader import RowReader
from services.store.rows import columns_in, columns_of, values_of
from services.telemetry import NUMERIC_COLUMNS, TEXT_COLUMNS, Series

_KEYS = ("t_ms", "bid", "sq")
_NEWEST_CHUNKS = (
    "SELECT unit, chunk_no, last_ms FROM units JOIN chunks USING (unit_no) WHERE week ="
    " (SELECT max(week) FROM chunks AS each WHERE each.unit_no = units.unit_no AND first_ms <= ?)"
)
_AND_AMONG = AMONG.replace(" WHERE", " AND")
_NEWEST_ROW = (
    "SELECT t_ms, bid, sq FROM samples JOIN units USING (unit_no) WHERE unit = ? AND t_ms <= ? AND tq >= 0"
    " ORDER BY t_ms DESC, bid DESC, sq DESC LIMIT 1"
)
_OVERLAPPING = "SELECT body FROM chunks WHERE unit_no = ? AND last_ms >= ? AND first_ms < ? ORDER BY week"

_Part = tuple[npt.NDArray[np.int64], dict[str, npt.NDArray[Any]]]
"""Times, and columns among them bid and sq."""


class SealedReader(RowReader):
    """Rows and chunks as one; each read sees one state of the file, so a week is never seen half sealed."""

    @contextmanager
    def _snapshot(self) -> Iterator[sqlite3.Connection]:
        """See one state of the file, also inside a transaction of the writer's own."""
        with self._access() as connection:
            own = not connection.in_transaction
            if own:
                connection.execute("BEGIN")
            try:
                yield connection
            finally:
                if own:
                    connection.execute("COMMIT")

    def read(self, unit: str, start_ms: int, end_ms: int, columns: Sequence[str] | None = None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``, in order of time, then bid and sq."""
        known = self._unit(unit)
        if known is None:
            return Series.empty()
        unit_no, mask = known
        wanted = columns_in(mask, columns)
        with self._snapshot() as connection:
            bodies = connection.execute(_OVERLAPPING, (unit_no, start_ms, end_ms)).fetchall()
            if not bodies:
                return super().read(unit, start_ms, end_ms, columns)
            rows = connection.execute(
                f"SELECT {', '.join([*_KEYS, *wanted])} FROM samples"  # noqa: S608 - names of our own columns
                " WHERE unit_no = ? AND t_ms >= ? AND t_ms < ? AND tq >= 0 ORDER BY t_ms, bid, sq",
                (unit_no, start_ms, end_ms),
            ).fetchall()
        parts = [_of_chunk(body, wanted, start_ms, end_ms) for (body,) in bodies]
        if rows:
            parts.append(_of_rows(rows, wanted))
        return _joined(parts, wanted)

    def span_of(self, unit: str) -> tuple[int, int] | None:
        """Return the oldest and newest sample time of a unit, None when it has none."""
        with self._snapshot() as connection:
            first_ms, last_ms = connection.execute(
                "SELECT min(first_ms), max(last_ms) FROM chunks JOIN units USING (unit_no) WHERE unit = ?",
                (unit,),
            ).fetchone()
            in_rows = super().span_of(unit)
        if first_ms is None:
            return in_rows
        edges = (first_ms, last_ms, *(in_rows or ()))
        return min(edges), max(edges)

    def latest(self, now_ms: int, units: Collection[str] | None = None) -> Mapping[str, Latest]:
        """Return the newest sample of every unit, or of some, with ``t_ms <= now_ms + 5 min``."""
        with self._snapshot() as connection:
            found = dict(super().latest(now_ms, units))
            query, arguments = _NEWEST_CHUNKS, [] if units is None else [listed(units)]
            query += "" if units is None else _AND_AMONG
            newest = connection.execute(query, [now_ms + AHEAD_MS, *arguments]).fetchall()
            for unit, number, last_ms in newest:
                if unit not in found or found[unit].t_ms <= last_ms:
                    row = _last_of(connection, number, now_ms + AHEAD_MS)
                    in_rows = connection.execute(_NEWEST_ROW, (unit, now_ms + AHEAD_MS)).fetchone()
                    if in_rows is None or in_rows < row[: len(_KEYS)]:
                        found[unit] = Latest(unit, row[0], row[4], values_of(row[len(HEAD) :]))
        return found

    def _newest_before(self, unit: str, t_ms: int) -> int | None:
        with self._snapshot() as connection:
            in_rows = super()._newest_before(unit, t_ms)
            chunk = connection.execute(
                "SELECT last_ms, body FROM chunks JOIN units USING (unit_no)"
                " WHERE unit = ? AND first_ms < ? ORDER BY week DESC LIMIT 1",
                (unit, t_ms),
            ).fetchone()
        times = [] if in_rows is None else [in_rows]
        if chunk is not None:
            sealed = unpacked(chunk[1], ["t_ms"])["t_ms"].to_numpy()
            times.append(int(sealed[np.searchsorted(sealed, t_ms) - 1]))
        return max(times, default=None)


def _last_of(connection: sqlite3.Connection, chunk_no: int, t_ms: int) -> tuple[Any, ...]:
    """Return the last row of a chunk up to an instant, which is not before its first."""
    (body,) = connection.execute("SELECT body FROM chunks WHERE chunk_no = ?", (chunk_no,)).fetchone()
    table = unpacked(body)
    last = int(np.searchsorted(table["t_ms"].to_numpy(), t_ms, side="right")) - 1
    (row,) = rows_of(table.slice(last, 1))
    return row


def _of_chunk(body: bytes, wanted: Sequence[str], start_ms: int, end_ms: int) -> _Part:
    """Return the part of a chunk within a span; all that is sealed has a settled time."""
    table = unpacked(body, [*_KEYS, *wanted])
    t_ms = table["t_ms"].to_numpy()
    low, high = np.searchsorted(t_ms, [start_ms, end_ms], side="left")
    held = set(table.column_names)
    columns = {
        name: _cells(table[name].slice(low, high - low), name) if name in held else _blank(name, high - low)
        for name in ("bid", "sq", *wanted)
    }
    return t_ms[low:high], columns


def _cells(column: pa.ChunkedArray, name: str) -> npt.NDArray[Any]:
    """Return one column as a series has it; numbers come back from milli-units."""
    if name in _KEYS:
        return np.asarray(column.to_numpy(), dtype=np.int64)
    if name in TEXT_COLUMNS:
        return np.array(column.to_pylist(), dtype=object)
    values = np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)  # a gap becomes NaN
    return values / 1000.0 if name in NUMERIC_COLUMNS else values


def _blank(name: str, length: int) -> npt.NDArray[Any]:
    return np.full(length, None, dtype=object) if name in TEXT_COLUMNS else np.full(length, np.nan)


def _of_rows(rows: Sequence[tuple[Any, ...]], wanted: Sequence[str]) -> _Part:
    times, bids, numbers, *stored = zip(*rows, strict=True)
    columns = columns_of(stored, wanted)
    columns["bid"], columns["sq"] = np.array(bids, dtype=np.int64), np.array(numbers, dtype=np.int64)
    return np.array(times, dtype=np.int64), columns


def _joined(parts: Sequence[_Part], wanted: Sequence[str]) -> Series:
    """Return parts as one series; late rows of a sealed week fall between its samples."""
    t_ms = np.concatenate([part[0] for part in parts])
    columns = {name: np.concatenate([part[1][name] for part in parts]) for name in ("bid", "sq", *wanted)}
    if not bool(np.all(np.diff(t_ms) > 0)):
        order = np.lexsort((columns["sq"], columns["bid"], t_ms))
        t_ms, columns = t_ms[order], {name: values[order] for name, values in columns.items()}
    return Series(t_ms, {name: columns[name] for name in wanted})
