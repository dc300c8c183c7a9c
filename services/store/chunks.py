"""A week of one unit's samples as one compressed table in an open format (Apache Parquet)."""

import io
from collections.abc import Sequence
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from services.store.rows import VALUE_COLUMNS
from services.telemetry import BOOLEAN_COLUMNS, TEXT_COLUMNS
from services.timebase import DAY_MS

WEEK_MS = 7 * DAY_MS
_FIRST_MONDAY_MS = 4 * DAY_MS
"""1970-01-05; the epoch was a Thursday."""

HEAD = ("t_ms", "bid", "sq", "tq", "received_ms", "up_ms")
NAMES = (*HEAD, *VALUE_COLUMNS, "extra")
"""Columns of a row within a chunk, in order; the unit is known from where the chunk is kept."""

TEXTS = frozenset((*TEXT_COLUMNS, "extra"))
_PLAIN = frozenset((*TEXTS, *BOOLEAN_COLUMNS))
_TYPES = {name: pa.string() if name in TEXTS else pa.int64() for name in NAMES}


def load() -> None:
    """Have the table library load all it needs, half a second's work: at the start, not between commits."""
    pa.array([0]).to_numpy()


def week_of(t_ms: int) -> int:
    """Return the number of the UTC week, beginning on Monday, that an instant lies in."""
    return (t_ms - _FIRST_MONDAY_MS) // WEEK_MS


def week_start_ms(week: int) -> int:
    """Return when a week begins."""
    return _FIRST_MONDAY_MS + week * WEEK_MS


def table_of(rows: Sequence[Sequence[Any]]) -> pa.Table:
    """Return rows (see `NAMES`) as a table without the columns that hold nothing."""
    columns = {}
    for name, cells in zip(NAMES, zip(*rows, strict=True), strict=True):
        if name in HEAD or any(cell is not None for cell in cells):
            columns[name] = pa.array(cells, type=_TYPES[name])
    return pa.table(columns)


def packed(table: pa.Table) -> bytes:
    """Return a table as the bytes that are kept.

    Times, numbers and milli-units change little from row to row: differences in few bits, then zstd,
    were the smallest of the encodings tried. Texts and flags repeat: a dictionary.
    """
    sink = io.BytesIO()
    pq.write_table(
        table,
        sink,
        compression="zstd",
        use_dictionary=[name for name in table.column_names if name in _PLAIN],
        column_encoding={name: "DELTA_BINARY_PACKED" for name in table.column_names if name not in _PLAIN},
        data_page_version="2.0",
        write_statistics=False,
        store_schema=False,
    )
    return sink.getvalue()


def unpacked(body: bytes, names: Sequence[str] | None = None) -> pa.Table:
    """Return what is kept, all of it or only the named columns that are there."""
    file = pq.ParquetFile(io.BytesIO(body))
    held = file.schema_arrow.names
    return file.read([name for name in held if names is None or name in names], use_threads=False)


def rows_of(table: pa.Table) -> list[tuple[Any, ...]]:
    """Return a table as rows (see `NAMES`)."""
    blank = [None] * table.num_rows
    held = set(table.column_names)
    return list(zip(*(table[name].to_pylist() if name in held else blank for name in NAMES), strict=True))
