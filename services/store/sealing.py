"""Old weeks become chunks: smaller by an order of magnitude, and read faster."""

import sqlite3
from collections import OrderedDict, deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import structlog

from services.store.chunks import (
    HEAD,
    NAMES,
    load,
    packed,
    rows_of,
    table_of,
    unpacked,
    week_of,
    week_start_ms,
)
from services.timebase import DAY_MS, HOUR_MS

SEAL_AFTER_DAYS = 28
"""Age of the newest sample of a week, at least, before it is sealed."""
LOOK_EVERY_MS = HOUR_MS
"""How often weeks to seal are looked for."""
EVER_WEEK = week_of(2**62)
"""After all weeks there can be."""
ROWS_AT_ONCE = 1_440
"""Rows sealed in one go, a day of most units: commits wait meanwhile."""
_WEEKS_AT_HAND = 8
"""Sealed weeks kept unpacked while samples that were sent again are compared with them."""

SETTLED = (
    "tq >= 0 AND (up_ms IS NULL OR EXISTS (SELECT 1 FROM boots WHERE boots.unit_no = samples.unit_no"
    " AND boots.bid = samples.bid AND start_sq IS NOT NULL AND mark >= start_sq))"
)
"""A sample whose time may still be corrected stays a row: rows are easily moved."""
_OF_WEEK = "FROM samples WHERE unit_no = ? AND t_ms >= ? AND t_ms < ?"
_SEALABLE = f"{_OF_WEEK} AND {SETTLED}"

_log = structlog.get_logger(__name__)

_Place = tuple[int, int]
"""Unit number and week."""


class Sealer:
    """Seals weeks of one store's file, some rows at a time, and finds samples in sealed ones."""

    def __init__(self, seal_after_days: float) -> None:
        """Seal weeks that ended so long ago."""
        load()
        self._after_ms = round(seal_after_days * DAY_MS)
        self._due: deque[_Place] = deque()
        self._looked_ms = -LOOK_EVERY_MS
        self._at_hand: OrderedDict[_Place, _WeekAtHand] = OrderedDict()

    def forget(self) -> None:
        """Forget what is remembered of the file."""
        self._at_hand.clear()

    def next_due(self, connection: sqlite3.Connection, now_ms: int) -> _Place | None:
        """Return the next week to seal, None when there is none for now."""
        if not self._due and not 0 <= now_ms - self._looked_ms < LOOK_EVERY_MS:
            self._looked_ms = now_ms
            old = weeks_with_rows(connection, week_of(now_ms - self._after_ms), settled=True)
            self._due.extend(sorted(old, key=lambda place: place[1]))
        return self._due.popleft() if self._due else None

    @property
    def more_due(self) -> bool:
        """Whether another week waits."""
        return bool(self._due)

    def prepare(self, connection: sqlite3.Connection, place: _Place) -> "Sealed | None":
        """Work out the chunk of a week from the first of its rows and the chunk it may already have.

        Nothing is written. The file has one writer, so what is read here still holds when it is.
        """
        unit_no, week = place
        fresh = connection.execute(
            f"SELECT {', '.join(NAMES)} {_SEALABLE} ORDER BY t_ms, bid, sq LIMIT ?",
            (unit_no, week_start_ms(week), week_start_ms(week + 1), ROWS_AT_ONCE),
        ).fetchall()
        if not fresh:
            return None
        table = _joined(_kept(connection, place), table_of(fresh))
        body = packed(table)
        if not unpacked(body).equals(table):  # rows are deleted on the strength of this
            raise AssertionError(f"week {week} of unit {unit_no} does not come back from its chunk")
        return Sealed(place, table, len(fresh), fresh[-1][:3], body)

    def write(self, connection: sqlite3.Connection, sealed: "Sealed") -> None:
        """Put the chunk in the place of its rows; to be called within one transaction."""
        unit_no, week = sealed.place
        t_ms = sealed.table["t_ms"]
        connection.execute(
            "INSERT INTO chunks (unit_no, week, first_ms, last_ms, samples, body) VALUES (?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (unit_no, week) DO UPDATE SET first_ms = excluded.first_ms,"
            " last_ms = excluded.last_ms, samples = excluded.samples, body = excluded.body",
            (unit_no, week, t_ms[0].as_py(), t_ms[-1].as_py(), sealed.table.num_rows, sealed.body),
        )
        connection.executemany(
            "INSERT OR REPLACE INTO chunk_boots VALUES (?, ?, ?, ?, ?)",
            [(unit_no, bid, week, low, high) for bid, (low, high) in sealed.numbers().items()],
        )
        gone = connection.execute(
            f"DELETE {_SEALABLE} AND t_ms <= ? AND (t_ms, bid, sq) <= (?, ?, ?)",
            (unit_no, week_start_ms(week), week_start_ms(week + 1), sealed.last[0], *sealed.last),
        ).rowcount
        if gone != sealed.fresh:
            raise AssertionError(f"{gone} rows would go for {sealed.fresh} sealed: unit {unit_no}, {week}")
        self._at_hand.pop(sealed.place, None)
        if sealed.fresh == ROWS_AT_ONCE:
            self._due.appendleft(sealed.place)  # the rest of the week
            return
        _log.info(
            "store.week.sealed",
            unit_no=unit_no,
            week_start_ms=week_start_ms(week),
            samples=sealed.table.num_rows,
            bytes=len(sealed.body),
        )

    def find(
        self, connection: sqlite3.Connection, unit_no: int, bid: int, sq: int
    ) -> Sequence[object] | None:
        """Return time, uptime and measured columns sealed under an identity, None when none are."""
        for (week,) in connection.execute(
            "SELECT week FROM chunk_boots WHERE unit_no = ? AND bid = ? AND low_sq <= ? AND high_sq >= ?",
            (unit_no, bid, sq, sq),
        ).fetchall():
            row = self._week(connection, (unit_no, week)).find(bid, sq)
            if row is not None:
                return (row[0], row[5], *row[len(HEAD) :])
        return None

    def _week(self, connection: sqlite3.Connection, place: _Place) -> "_WeekAtHand":
        week = self._at_hand.get(place)
        if week is None:
            (body,) = connection.execute(
                "SELECT body FROM chunks WHERE unit_no = ? AND week = ?", place
            ).fetchone()
            week = self._at_hand[place] = _WeekAtHand(unpacked(body))
            if len(self._at_hand) > _WEEKS_AT_HAND:
                self._at_hand.popitem(last=False)
        return week


class _WeekAtHand:
    """A sealed week as columns: less than a megabyte, where rows would take many."""

    def __init__(self, table: pa.Table) -> None:
        """Hold the table of a chunk."""
        self._table = table
        self._bid, self._sq = table["bid"].to_numpy(), table["sq"].to_numpy()

    def find(self, bid: int, sq: int) -> tuple[Any, ...] | None:
        """Return the row of an identity."""
        (found,) = np.nonzero((self._sq == sq) & (self._bid == bid))
        return rows_of(self._table.slice(int(found[0]), 1))[0] if found.size else None


@dataclass(frozen=True, slots=True)
class Sealed:
    """A week, or as much of it as was taken at once, ready to be put in the place of its rows."""

    place: _Place
    table: pa.Table
    """All of the chunk, in order of time."""
    fresh: int
    """How many of its samples are rows still."""
    last: tuple[int, int, int]
    """Time, bid and sq of the last of these rows."""
    body: bytes

    def numbers(self) -> dict[int, tuple[int, int]]:
        """Return, per bid, the lowest and highest sq in the week."""
        bids, numbers = self.table["bid"].to_numpy(), self.table["sq"].to_numpy()
        found = {}
        for bid in np.unique(bids):
            of_boot = numbers[bids == bid]
            found[int(bid)] = (int(of_boot.min()), int(of_boot.max()))
        return found


def _kept(connection: sqlite3.Connection, place: _Place) -> pa.Table | None:
    found = connection.execute("SELECT body FROM chunks WHERE unit_no = ? AND week = ?", place).fetchone()
    return None if found is None else unpacked(found[0])


def _joined(kept: pa.Table | None, fresh: pa.Table) -> pa.Table:
    """Return what is sealed and what is to be, in order of time, bid and sq."""
    if kept is None:
        return fresh
    table = pa.concat_tables([kept, fresh], promote_options="default")
    table = table.select([name for name in NAMES if name in table.column_names])
    if kept["t_ms"][-1].as_py() < fresh["t_ms"][0].as_py():
        return table
    return table.take(np.lexsort([table[name].to_numpy() for name in ("sq", "bid", "t_ms")]))


def weeks_with_rows(
    connection: sqlite3.Connection, end_week: int, *, settled: bool, unit_no: int | None = None
) -> list[_Place]:
    """Return the weeks before one that have rows, or rows to seal, of one unit or of all.

    It hops along the clustered rows, so what it costs goes by the weeks.
    """
    found = []
    end_ms = week_start_ms(end_week)
    which = _SEALABLE if settled else _OF_WEEK
    units = connection.execute("SELECT unit_no FROM units WHERE ?1 IS NULL OR unit_no = ?1", (unit_no,))
    for (each,) in units.fetchall():
        from_ms = -(2**62)
        while True:
            row = connection.execute(
                f"SELECT t_ms {which} ORDER BY t_ms LIMIT 1", (each, from_ms, end_ms)
            ).fetchone()
            if row is None:
                break
            week = week_of(row[0])
            found.append((each, week))
            from_ms = week_start_ms(week + 1)
    return found
