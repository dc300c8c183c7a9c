"""Tables of the embedded telemetry store, and how a sample becomes a row and back."""

import sqlite3
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path

import orjson

from services.errors import ConfigurationError, DependencyUnavailable
from services.telemetry import (
    BOOLEAN_COLUMNS,
    CHANNELS,
    COLUMNS,
    NUMERIC_COLUMNS,
    TEXT_COLUMNS,
    Sample,
    Value,
)

VERSION = 1
"""Raised with every change of the tables."""

BUSY_TIMEOUT_S = 5.0
"""How long a connection waits for another process to finish its transaction."""

IMPORTED_BID = -1
"""Imported logs have no boots; their numbers are times (design 3.1)."""

VALUE_COLUMNS = (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS, *TEXT_COLUMNS)
"""Order of the measured columns in a row; `extra` follows them."""

_PLACE = {name: VALUE_COLUMNS.index(channel.column) for name, channel in CHANNELS.items()}
_NUMBERS = len(NUMERIC_COLUMNS)
_BOOLEANS = _NUMBERS + len(BOOLEAN_COLUMNS)
_BLANK: list[object] = [None] * (len(VALUE_COLUMNS) + 1)

Row = tuple[object, ...]

_MEASURED = ",\n    ".join(
    f"{column} {'TEXT' if column in TEXT_COLUMNS else 'INTEGER'}" for column in VALUE_COLUMNS
)

_TABLES = f"""
CREATE TABLE IF NOT EXISTS units (
    unit_no INTEGER PRIMARY KEY, unit TEXT NOT NULL UNIQUE, columns INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE IF NOT EXISTS samples (
    unit_no INTEGER NOT NULL, t_ms INTEGER NOT NULL, bid INTEGER NOT NULL, sq INTEGER NOT NULL,
    tq INTEGER NOT NULL, received_ms INTEGER NOT NULL, up_ms INTEGER,
    {_MEASURED},
    extra TEXT,
    PRIMARY KEY (unit_no, t_ms, bid, sq)
) WITHOUT ROWID;
CREATE UNIQUE INDEX IF NOT EXISTS sample_identity ON samples (unit_no, bid, sq);
CREATE TABLE IF NOT EXISTS boots (
    unit_no INTEGER NOT NULL, bid INTEGER NOT NULL, mark INTEGER NOT NULL, newest INTEGER NOT NULL,
    start_ms INTEGER, start_sq INTEGER, provisional INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (unit_no, bid)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS skipped (
    unit_no INTEGER NOT NULL, bid INTEGER NOT NULL, from_sq INTEGER NOT NULL, to_sq INTEGER NOT NULL,
    reason TEXT NOT NULL, PRIMARY KEY (unit_no, bid, from_sq, to_sq)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS changes (
    change_no INTEGER PRIMARY KEY AUTOINCREMENT,
    unit_no INTEGER NOT NULL, t_min_ms INTEGER NOT NULL, t_max_ms INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS quarantine (
    number INTEGER PRIMARY KEY AUTOINCREMENT, received_ms INTEGER NOT NULL, unit TEXT,
    topic TEXT NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL,
    bid INTEGER, sq INTEGER, channel TEXT, payload BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS waiting (
    number INTEGER PRIMARY KEY AUTOINCREMENT, unit TEXT NOT NULL, topic TEXT NOT NULL,
    payload BLOB NOT NULL, digest BLOB NOT NULL, received_ms INTEGER NOT NULL, expiry_left_s INTEGER,
    UNIQUE (unit, digest)
);
CREATE INDEX IF NOT EXISTS waiting_unit ON waiting (unit, number);
CREATE TABLE IF NOT EXISTS unit_status (
    unit TEXT PRIMARY KEY, s TEXT NOT NULL, bid INTEGER NOT NULL, next_s REAL, fw TEXT,
    received_ms INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS messages (
    number INTEGER PRIMARY KEY AUTOINCREMENT, unit TEXT NOT NULL, leaf TEXT NOT NULL, body TEXT NOT NULL,
    correlation BLOB NOT NULL, received_ms INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS sent_commands (command TEXT PRIMARY KEY, sent_ms INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS counters (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
"""

_HEAD = ("unit_no", "t_ms", "bid", "sq", "tq", "received_ms", "up_ms")
HEAD_WIDTH = len(_HEAD)
SELECT_VALUES = (
    f"SELECT t_ms, up_ms, {', '.join(VALUE_COLUMNS)}, extra"  # noqa: S608 - names of our own columns
    " FROM samples WHERE unit_no = ? AND bid = ? AND sq = ?"
)


def connect(path: Path, *, writer: bool) -> sqlite3.Connection:
    """Open the store's file, creating it and its tables when they are missing.

    Raises
    ------
    ConfigurationError
        If the file is not a store of this version.
    DependencyUnavailable
        If the file cannot be opened or stays locked.
    """
    try:
        connection = sqlite3.connect(
            path, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False, cached_statements=256
        )
        _prepare(connection, path)
        connection.execute("PRAGMA synchronous = FULL")  # a commit is on the disk before it returns
        connection.execute("PRAGMA journal_size_limit = 67108864")
        if not writer:
            connection.execute("PRAGMA query_only = 1")
    except sqlite3.OperationalError as error:
        raise DependencyUnavailable(f"the telemetry store {path.name} cannot be opened: {error}") from error
    except sqlite3.DatabaseError as error:
        raise ConfigurationError(f"{path.name} is not a telemetry store: {error}") from error
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version == VERSION:
        return
    if version > VERSION:
        raise ConfigurationError(f"{path.name} was written by a newer version ({version} > {VERSION})")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.executescript(f"BEGIN IMMEDIATE; {_TABLES} PRAGMA user_version = {VERSION}; COMMIT;")


@lru_cache(maxsize=1024)
def _plan_of(names: tuple[str, ...]) -> tuple[tuple[tuple[str, int], ...], bool, int]:
    """Return where the channels of a sample go, whether any is unknown, and the columns as bits.

    Units send the same channels again and again, so this is worked out once for each set.
    """
    places = tuple((name, _PLACE[name]) for name in names if name in _PLACE)
    unknown = len(places) < len(names)
    mask = sum(1 << place for _, place in places) | unknown << len(VALUE_COLUMNS)
    return places, unknown, mask


def measured_of(values: Mapping[str, Value]) -> tuple[list[object], int]:
    """Return the measured columns of a row, `extra` last, and which of them are used, as bits.

    Numbers are in milli-units, rounded half to even as `milli_of` does.
    """
    places, unknown, mask = _plan_of(tuple(values))
    measured = _BLANK.copy()
    for name, place in places:
        value = values[name]
        if place < _NUMBERS:
            measured[place] = round(value * 1000.0)  # type: ignore[operator] # milli_of, inlined for speed
        elif place < _BOOLEANS:
            measured[place] = 1 if value else 0
        else:
            measured[place] = str(value)
    if unknown:
        extra = {name: value for name, value in values.items() if name not in _PLACE}
        measured[-1] = orjson.dumps(extra, option=orjson.OPT_SORT_KEYS).decode()
    return measured, mask


@lru_cache(maxsize=1024)
def insert_of(mask: int) -> tuple[str, tuple[int, ...]]:
    """Return the statement that inserts rows using some of the measured columns, and their places in a row.

    Binding only what units send makes an insert a third cheaper than binding all columns (measured).
    """
    names = (*VALUE_COLUMNS, "extra")
    used = [place for place in range(len(names)) if mask >> place & 1]
    columns = ", ".join((*_HEAD, *(names[place] for place in used)))
    marks = ", ".join("?" * (HEAD_WIDTH + len(used)))
    statement = f"INSERT INTO samples ({columns}) VALUES ({marks})"  # noqa: S608 - names of our own columns
    return statement, (*range(HEAD_WIDTH), *(HEAD_WIDTH + place for place in used))


def values_of(measured: Sequence[object]) -> dict[str, Value]:
    """Return what was measured, by column (unknown channels by name), from a row's measured columns."""
    found: dict[str, Value] = {}
    for column, stored in zip(VALUE_COLUMNS, measured, strict=False):
        if stored is None:
            continue
        kind = COLUMNS[column].kind
        if kind == "number":
            found[column] = int(str(stored)) / 1000.0
        else:
            found[column] = bool(stored) if kind == "boolean" else str(stored)
    if measured[-1] is not None:
        found.update(orjson.loads(str(measured[-1])))
    return found


def row_of(unit_no: int, sample: Sample, received_ms: int, measured: Sequence[object]) -> list[object]:
    """Return the whole row of a sample."""
    up_ms = None if sample.tq > 0 or sample.up_s is None else round(sample.up_s * 1000.0)
    return [unit_no, sample.t_ms, sample.bid, sample.sq, sample.tq, received_ms, up_ms, *measured]
