"""Tables of the file every store has: the ledger (what is held, changes, quarantine) and sample rows."""

import sqlite3
from itertools import groupby
from pathlib import Path

from services.errors import ConfigurationError, DependencyUnavailable
from services.store.held import Held
from services.store.rows import VALUE_COLUMNS
from services.store.wal import SHRINKS_TO_BYTES
from services.telemetry import TEXT_COLUMNS

VERSION = 4
"""Raised with every change of the tables."""

BUSY_TIMEOUT_S = 5.0
"""How long a connection waits for another process to finish its transaction."""

IMPORTED_BID = -1
"""Imported logs have no boots; their numbers are times (design 3.1)."""

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
CREATE TABLE IF NOT EXISTS chunks (
    chunk_no INTEGER PRIMARY KEY, unit_no INTEGER NOT NULL, week INTEGER NOT NULL,
    first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL, samples INTEGER NOT NULL, body BLOB NOT NULL,
    UNIQUE (unit_no, week)
);
CREATE TABLE IF NOT EXISTS chunk_boots (
    unit_no INTEGER NOT NULL, bid INTEGER NOT NULL, week INTEGER NOT NULL,
    low_sq INTEGER NOT NULL, high_sq INTEGER NOT NULL,
    PRIMARY KEY (unit_no, bid, week)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS rolled (
    unit_no INTEGER NOT NULL, week INTEGER NOT NULL, upto_ms INTEGER NOT NULL, PRIMARY KEY (unit_no, week)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS week_hours (
    unit_no INTEGER NOT NULL, week INTEGER NOT NULL, place INTEGER NOT NULL, body BLOB NOT NULL,
    PRIMARY KEY (unit_no, week, place)
);
CREATE TABLE IF NOT EXISTS listed (unit_no INTEGER PRIMARY KEY);
CREATE TABLE IF NOT EXISTS counted (
    unit_no INTEGER NOT NULL, week INTEGER NOT NULL, upto_ms INTEGER NOT NULL, version TEXT NOT NULL,
    PRIMARY KEY (unit_no, week)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS week_counts (
    unit_no INTEGER NOT NULL, week INTEGER NOT NULL, what TEXT NOT NULL, body BLOB NOT NULL,
    PRIMARY KEY (unit_no, week, what)
);
CREATE TABLE IF NOT EXISTS boots (
    unit_no INTEGER NOT NULL, bid INTEGER NOT NULL, mark INTEGER NOT NULL, newest INTEGER NOT NULL,
    start_ms INTEGER, start_sq INTEGER, provisional INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (unit_no, bid)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS runs (
    unit_no INTEGER NOT NULL, bid INTEGER NOT NULL, from_sq INTEGER NOT NULL, to_sq INTEGER NOT NULL,
    first_ms INTEGER, last_ms INTEGER, first_up_ms INTEGER, last_up_ms INTEGER,
    PRIMARY KEY (unit_no, bid, from_sq)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS stale_hours (
    unit_no INTEGER NOT NULL, hour_ms INTEGER NOT NULL, PRIMARY KEY (unit_no, hour_ms)
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
        connection.execute(f"PRAGMA journal_size_limit = {SHRINKS_TO_BYTES}")
        if not writer:
            connection.execute("PRAGMA query_only = 1")
    except sqlite3.OperationalError as error:
        raise DependencyUnavailable(f"the telemetry store {path.name} cannot be opened: {error}") from error
    except sqlite3.DatabaseError as error:
        raise ConfigurationError(f"{path.name} is not a telemetry store: {error}") from error
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    if _version_of(connection, path) == VERSION:
        return
    connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # of a new file; sealing gives pages back
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _version_of(connection, path)  # another process may have been quicker
        for statement in _TABLES.split(";"):
            connection.execute(statement)
        if version == 1:
            _write_runs(connection)
        connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _version_of(connection: sqlite3.Connection, path: Path) -> int:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > VERSION:
        raise ConfigurationError(f"{path.name} was written by a newer version ({version} > {VERSION})")
    return version


def _write_runs(connection: sqlite3.Connection) -> None:
    """Work out from the samples which numbers are held: version 1 looked there every time."""
    held = connection.execute(
        "SELECT unit_no, bid, sq, sq, CASE WHEN tq >= 0 THEN t_ms END, up_ms FROM samples WHERE bid != ?1"
        " UNION ALL SELECT unit_no, bid, from_sq, to_sq, NULL, NULL FROM skipped WHERE bid != ?1"
        " ORDER BY 1, 2, 3",
        (IMPORTED_BID,),
    )
    for boot, stretches in groupby(held.fetchall(), key=lambda row: row[:2]):
        runs = Held()
        for row in stretches:
            runs.add(*row[2:])
        save_runs(connection, boot[0], boot[1], runs)


def save_runs(connection: sqlite3.Connection, unit_no: int, bid: int, held: Held) -> None:
    """Write down what has changed in the numbers held of a boot."""
    gone, changed = held.take_changes()
    connection.executemany(
        "DELETE FROM runs WHERE unit_no = ? AND bid = ? AND from_sq = ?",
        [(unit_no, bid, first) for first in gone],
    )
    connection.executemany(
        "INSERT OR REPLACE INTO runs VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (unit_no, bid, run.first, run.last, run.first_ms, run.last_ms, run.first_up_ms, run.last_up_ms)
            for run in changed
        ],
    )
