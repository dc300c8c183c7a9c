"""Moving everything one store holds into another kind of store, unit by unit and week by week, verified."""

import hashlib
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Protocol

import orjson

from services.store.chunks import NAMES, rows_of, unpacked, week_start_ms
from services.store.ledger import Ledger
from services.store.rows import Row
from services.store.sealing import SETTLED
from services.store.sqlite import SqliteStore

_SAMPLES = (
    *("samples", "chunks", "chunk_boots", "rolled", "week_hours", "stale_hours"),
    *("listed", "counted", "week_counts"),
)
"""Tables that hold samples or are made from them; all others are the ledger."""
PUT = (
    f"INSERT OR REPLACE INTO samples (unit_no, {', '.join(NAMES)})"  # noqa: S608 - our own names
    f" VALUES ({', '.join('?' * (1 + len(NAMES)))})"
)
"""Keeps a row beside the ledger."""


@dataclass(frozen=True, slots=True)
class Week:
    """Everything of one unit in one week, whether its time is final or may still be corrected."""

    final: Sequence[Row]
    loose: Sequence[Row]

    @property
    def samples(self) -> int:
        """How many samples there are."""
        return len(self.final) + len(self.loose)

    @property
    def checksum(self) -> str:
        """SHA-256 of the rows in order of time and number, every column of them."""
        rows = sorted((row[1:] for row in (*self.final, *self.loose)), key=lambda row: row[:3])
        return hashlib.sha256(orjson.dumps(rows)).hexdigest()


class Side(Protocol):
    """A store from which, or to which, rows are moved."""

    @property
    def store(self) -> Ledger:
        """The store itself."""

    def weeks(self, unit_no: int, unit: str) -> Sequence[int]:
        """Return the weeks in which a unit may have samples."""

    def week(self, unit_no: int, unit: str, week: int) -> Week:
        """Return what a unit has in a week."""

    def put(self, week: Week) -> None:
        """Keep a week's rows durably, over the same ones where they are there already."""


def rows_at_hand(connection: sqlite3.Connection, unit_no: int, week: int, condition: str) -> list[Row]:
    """Return the rows of a unit in a week that lie beside the ledger, and for which a condition holds."""
    found = connection.execute(
        f"SELECT unit_no, {', '.join(NAMES)} FROM samples"  # noqa: S608 - our own names
        f" WHERE unit_no = ? AND t_ms >= ? AND t_ms < ? AND {condition}",
        (unit_no, week_start_ms(week), week_start_ms(week + 1)),
    )
    return [list(row) for row in found]


class InFile:
    """A store in one file: rows, and sealed weeks."""

    def __init__(self, store: SqliteStore) -> None:
        """Take a store."""
        self.store = store

    def weeks(self, unit_no: int, unit: str) -> Sequence[int]:
        """Return the weeks in which a unit has samples."""
        with self.store.held() as connection:
            return sorted(self.store.weeks_held(connection, unit_no, unit))

    def week(self, unit_no: int, unit: str, week: int) -> Week:
        """Return what a unit has in a week."""
        del unit
        with self.store.held() as connection:
            final = rows_at_hand(connection, unit_no, week, SETTLED)
            loose = rows_at_hand(connection, unit_no, week, f"NOT ({SETTLED})")
            for (body,) in connection.execute(
                "SELECT body FROM chunks WHERE unit_no = ? AND week = ?", (unit_no, week)
            ):
                final += [[unit_no, *row] for row in rows_of(unpacked(body))]
        return Week(final, loose)

    def put(self, week: Week) -> None:
        """Keep a week's rows; sealing is for later."""
        with self.store.held(writing=True) as connection:
            connection.executemany(PUT, [*week.final, *week.loose])


def units_of(side: Side) -> dict[str, int]:
    """Return the number of every unit."""
    with side.store.held() as connection:
        return dict(connection.execute("SELECT unit, unit_no FROM units ORDER BY unit").fetchall())


def begin(source: Side, target: Side) -> None:
    """Give the target the units of the source, under the same numbers."""
    _copy(source, target, ["units"])


def finish(source: Side, target: Side) -> None:
    """Copy the ledger: what is held, declared missing, refused, waiting and said, and all numbering."""
    with target.store.held() as connection:
        tables = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table'"
            " AND (name NOT LIKE 'sqlite_%' OR name = 'sqlite_sequence')"
        ).fetchall()
    _copy(source, target, [name for (name,) in tables if name not in _SAMPLES])


def _copy(source: Side, target: Side, tables: Sequence[str]) -> None:
    with closing(sqlite3.connect(target.store.path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("ATTACH ? AS source", (str(source.store.path),))
        connection.execute("BEGIN IMMEDIATE")
        for table in tables:
            told = connection.execute(f"PRAGMA main.table_info({table})").fetchall()
            names = ", ".join(row[1] for row in told)
            connection.execute(f"DELETE FROM main.{table}")  # noqa: S608 - names of our own tables
            connection.execute(
                f"INSERT INTO main.{table} ({names}) SELECT {names} FROM source.{table}"  # noqa: S608
            )
        connection.execute("COMMIT")
