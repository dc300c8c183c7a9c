"""The embedded telemetry store: one SQLite file, one writing process, any number of readers."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import orjson
import structlog

from services.store import keeping
from services.store.held import Held
from services.store.protocol import Appended, Batch, Reject, Skipped, WaitingPack
from services.store.reader import SqliteReader
from services.store.schema import (
    IMPORTED_BID,
    SELECT_VALUES,
    insert_of,
    measured_of,
    row_of,
)
from services.telemetry import Rejected, Sample

__all__ = ["SqliteReader", "SqliteStore"]


_AROUND = (
    "SELECT min(t_ms), max(t_ms) FROM samples WHERE unit_no = ?1 AND bid = ?2 AND sq IN ("
    " (SELECT max(sq) FROM samples WHERE unit_no = ?1 AND bid = ?2 AND sq < ?3),"
    " (SELECT min(sq) FROM samples WHERE unit_no = ?1 AND bid = ?2 AND sq > ?4))"
)
"""Times of the samples on both sides of a stretch of numbers."""

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Boot:
    """What the writer remembers of one boot of one unit."""

    held: Held
    newest: int
    start_ms: int | None = None
    start_sq: int | None = None
    provisional: bool = False


@dataclass(slots=True)
class _Work:
    """What one transaction is about to write."""

    rows: list[list[object]] = field(default_factory=list)
    used: int = 0
    """Which measured columns the rows have something in, as bits."""
    fresh: dict[tuple[int, int, int], list[object]] = field(default_factory=dict)
    conflicts: list[Reject] = field(default_factory=list)
    duplicates: int = 0
    windows: dict[int, tuple[int, int]] = field(default_factory=dict)
    masks: dict[int, int] = field(default_factory=dict)
    boots: set[tuple[int, int]] = field(default_factory=set)
    restarted: set[tuple[int, int]] = field(default_factory=set)
    """Boots whose start has just become known, or better known."""

    def touch(self, unit_no: int, t_ms: int) -> None:
        """Widen the change of a unit to an instant."""
        low, high = self.windows.get(unit_no, (t_ms, t_ms))
        self.windows[unit_no] = (min(low, t_ms), max(high, t_ms))


class SqliteStore(SqliteReader):
    """The `TelemetryStore` over one SQLite file; a commit is on the disk before it returns."""

    _writer = True

    def __init__(self, path: Any) -> None:  # noqa: ANN401 - as the reader takes it
        """Open the file for writing."""
        super().__init__(path)
        self._units: dict[str, int] = {}
        self._masks: dict[int, int] = {}
        self._boots: dict[tuple[int, int], _Boot] = {}
        self._commits = 0

    def append(
        self, samples: Sequence[Sample], *, received_ms: int, rejects: Sequence[Reject] = ()
    ) -> Appended:
        """Store samples and rejects durably in one transaction, before returning."""
        return self.commit(Batch(samples=samples, rejects=rejects), received_ms=received_ms)

    def commit(self, batch: Batch, *, received_ms: int) -> Appended:
        """Store everything one batch of messages brought, durably, in one transaction."""
        work = _Work()
        with self._transaction() as connection:
            for sample in batch.samples:
                self._take(connection, work, sample, received_ms)
            change_no = self._write_samples(connection, work)
            keeping.quarantine(connection, [*batch.rejects, *work.conflicts])
            for pack in batch.waiting:
                keeping.keep_waiting(connection, pack)
            for status in batch.statuses:
                keeping.keep_status(connection, status)
            keeping.keep_messages(connection, batch.messages)
            self._commits += 1
            if self._commits % keeping.TRIM_EVERY == 0:
                keeping.trim(connection)
        return Appended(change_no, len(work.rows), work.duplicates, len(work.conflicts))

    def declare_skipped(self, unit: str, skipped: Skipped) -> None:
        """Record a stretch as missing; it counts as held and reopens the time around it."""
        with self._transaction() as connection:
            unit_no = self._unit_no(connection, unit)
            boot = self._boot(connection, unit_no, skipped.bid)
            connection.execute(
                "INSERT OR IGNORE INTO skipped VALUES (?, ?, ?, ?, ?)",
                (unit_no, skipped.bid, skipped.from_sq, skipped.to_sq, skipped.reason),
            )
            boot.held.add(skipped.from_sq, skipped.to_sq)
            boot.newest = max(boot.newest, skipped.to_sq)
            self._save_boots(connection, [(unit_no, skipped.bid)])
            around = connection.execute(
                _AROUND, (unit_no, skipped.bid, skipped.from_sq, skipped.to_sq)
            ).fetchone()
            if around[0] is not None:
                _add_change(connection, unit_no, around[0], around[1])

    def waiting_packs(self, unit: str, limit: int = 200) -> Sequence[WaitingPack]:
        """Return the oldest packs kept for a unit that was unknown."""
        rows = self._rows(
            "SELECT number, unit, topic, payload, received_ms, expiry_left_s FROM waiting"
            " WHERE unit = ? ORDER BY number LIMIT ?",
            unit,
            limit,
        )
        return [WaitingPack(*row) for row in rows]

    def forget_waiting(self, unit: str, up_to_number: int) -> None:
        """Drop the kept packs of a unit up to a number, once they are stored as samples."""
        with self._transaction() as connection:
            connection.execute("DELETE FROM waiting WHERE unit = ? AND number <= ?", (unit, up_to_number))

    def mark_sent(self, command_id: str, sent_ms: int) -> None:
        """Remember that a command was handed to the broker."""
        with self._transaction() as connection:
            connection.execute("INSERT OR IGNORE INTO sent_commands VALUES (?, ?)", (command_id, sent_ms))

    def gaps(self) -> Mapping[tuple[str, int], list[tuple[int, int]]]:
        """Return, per unit and bid with a known backlog, the stretches missing below the newest number."""
        rows = self._rows(
            "SELECT unit, unit_no, bid FROM boots JOIN units USING (unit_no)"
            " WHERE newest > mark AND bid != ?",
            IMPORTED_BID,
        )
        with self._access() as connection:
            return {(unit, bid): self._boot(connection, no, bid).held.gaps() for unit, no, bid in rows}

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """Write all of it or nothing; what was remembered is forgotten when nothing was written."""
        with self._access() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                self._units.clear()
                self._masks.clear()
                self._boots.clear()
                raise

    def _unit_no(self, connection: sqlite3.Connection, unit: str) -> int:
        number = self._units.get(unit)
        if number is None:
            connection.execute("INSERT OR IGNORE INTO units (unit) VALUES (?)", (unit,))
            row = connection.execute("SELECT unit_no, columns FROM units WHERE unit = ?", (unit,)).fetchone()
            number = self._units[unit] = int(row[0])
            self._masks[number] = int(row[1])
        return number

    def _boot(self, connection: sqlite3.Connection, unit_no: int, bid: int) -> _Boot:
        """Return what is held of a boot, rebuilt from the store when it is not in memory."""
        boot = self._boots.get((unit_no, bid))
        if boot is None:
            row = connection.execute(
                "SELECT mark, newest, start_ms, start_sq, provisional FROM boots"
                " WHERE unit_no = ? AND bid = ?",
                (unit_no, bid),
            ).fetchone() or (-1, -1, None, None, 0)
            boot = _Boot(Held(row[0]), row[1], row[2], row[3], bool(row[4]))
            if bid != IMPORTED_BID and row[1] > row[0]:
                above = (unit_no, bid, row[0])
                boot.held.add_each(
                    sq
                    for (sq,) in connection.execute(
                        "SELECT sq FROM samples WHERE unit_no = ? AND bid = ? AND sq > ? ORDER BY sq", above
                    )
                )
                for first, last in connection.execute(
                    "SELECT from_sq, to_sq FROM skipped WHERE unit_no = ? AND bid = ? AND to_sq > ?", above
                ):
                    boot.held.add(first, last)
            self._boots[(unit_no, bid)] = boot
        return boot

    def _take(self, connection: sqlite3.Connection, work: _Work, sample: Sample, received_ms: int) -> None:
        """Sort one sample into new, duplicate or conflict."""
        unit_no = self._unit_no(connection, sample.unit)
        bid, sq = sample.bid, sample.sq
        boot = self._boot(connection, unit_no, bid)
        measured, mask = measured_of(sample.values)
        row = row_of(unit_no, sample, received_ms, measured)
        perhaps_known = sq <= boot.newest if bid == IMPORTED_BID else boot.held.holds(sq)
        if perhaps_known and self._known(connection, work, sample, row):
            return
        if bid != IMPORTED_BID:
            boot.held.add(sq, sq)
            self._settle_time(work, boot, sample, row)
        boot.newest = max(boot.newest, sq)
        work.rows.append(row)
        work.fresh[unit_no, bid, sq] = row
        work.boots.add((unit_no, bid))
        work.touch(unit_no, row[1])  # type: ignore[arg-type] # t_ms
        work.used |= mask
        if mask & ~work.masks.get(unit_no, self._masks[unit_no]):
            work.masks[unit_no] = mask | work.masks.get(unit_no, self._masks[unit_no])

    @staticmethod
    def _known(connection: sqlite3.Connection, work: _Work, sample: Sample, row: list[object]) -> bool:
        """Return whether the identity is taken; other values than the first go to quarantine."""
        fresh = work.fresh.get((row[0], sample.bid, sample.sq))  # type: ignore[arg-type]
        if fresh is not None:
            stored = (fresh[1], fresh[6], *fresh[7:])
        else:
            stored = connection.execute(SELECT_VALUES, (row[0], sample.bid, sample.sq)).fetchone()
            if stored is None:  # declared missing, and here it is after all
                return False
        # A provisional time may differ from one sending to the next; it says nothing about the values.
        same_time = stored[0] == row[1] or stored[1] is not None or sample.tq <= 0
        if same_time and list(stored[2:]) == row[7:]:
            work.duplicates += 1
            return True
        detail = f"sample {sample.sq} of boot {sample.bid} is already held with other values; the first stays"
        rejected = Rejected("identity_conflict", detail, sample.unit, sample.bid, sample.sq)
        body = {"t_ms": sample.t_ms, "tq": sample.tq, "values": dict(sample.values)}
        work.conflicts.append(Reject(rejected, "", orjson.dumps(body), int(str(row[5]))))
        return True

    @staticmethod
    def _settle_time(work: _Work, boot: _Boot, sample: Sample, row: list[object]) -> None:
        """Learn the start of a boot from a set clock, or use it for a sample taken before that.

        The first sample (by number) with a set clock decides, so that arrival order changes nothing.
        """
        if sample.up_s is None:
            return
        up_ms = round(sample.up_s * 1000.0)
        if sample.tq > 0:
            if boot.start_sq is None or sample.sq < boot.start_sq:
                boot.start_ms, boot.start_sq = sample.t_ms - up_ms, sample.sq
                work.restarted.add((int(str(row[0])), sample.bid))
            return
        boot.provisional = True
        if boot.start_ms is not None:
            row[1], row[4] = boot.start_ms + up_ms, 1

    def _write_samples(self, connection: sqlite3.Connection, work: _Work) -> int | None:
        statement, places = insert_of(work.used)
        connection.executemany(statement, [[row[place] for place in places] for row in work.rows])
        for unit_no, mask in work.masks.items():
            connection.execute("UPDATE units SET columns = ? WHERE unit_no = ?", (mask, unit_no))
            self._masks[unit_no] = mask
        change_no = None
        for unit_no, bid in sorted(work.restarted):
            boot = self._boots[unit_no, bid]
            if boot.provisional and boot.start_ms is not None:
                change_no = _move_provisional(connection, unit_no, bid, boot.start_ms) or change_no
        self._save_boots(connection, work.boots)
        for unit_no, (t_min_ms, t_max_ms) in work.windows.items():
            change_no = _add_change(connection, unit_no, t_min_ms, t_max_ms)
        return change_no

    def _save_boots(self, connection: sqlite3.Connection, touched: Any) -> None:  # noqa: ANN401
        rows = []
        for unit_no, bid in touched:
            boot = self._boots[unit_no, bid]
            rows.append(
                (unit_no, bid, boot.held.mark, boot.newest, boot.start_ms, boot.start_sq, boot.provisional)
            )
        connection.executemany("INSERT OR REPLACE INTO boots VALUES (?, ?, ?, ?, ?, ?, ?)", rows)


def _add_change(connection: sqlite3.Connection, unit_no: int, t_min_ms: int, t_max_ms: int) -> int:
    cursor = connection.execute(
        "INSERT INTO changes (unit_no, t_min_ms, t_max_ms) VALUES (?, ?, ?)", (unit_no, t_min_ms, t_max_ms)
    )
    return int(cursor.lastrowid or 0)


def _move_provisional(connection: sqlite3.Connection, unit_no: int, bid: int, start_ms: int) -> int | None:
    """Put samples taken before the clock was set where they belong; reopen where they were and are."""
    wrong = "FROM samples WHERE unit_no = ? AND bid = ? AND up_ms IS NOT NULL AND t_ms != ? + up_ms"
    where = (unit_no, bid, start_ms)
    low_ms, high_ms, low_up_ms, high_up_ms = connection.execute(
        f"SELECT min(t_ms), max(t_ms), min(up_ms), max(up_ms) {wrong}",
        where,
    ).fetchone()
    connection.execute(
        "UPDATE samples SET tq = 1 WHERE unit_no = ? AND bid = ? AND up_ms IS NOT NULL AND tq < 1",
        (unit_no, bid),
    )
    if low_ms is None:
        return None
    connection.execute(
        "UPDATE samples SET t_ms = ?3 + up_ms WHERE unit_no = ?1 AND bid = ?2"
        " AND up_ms IS NOT NULL AND t_ms != ?3 + up_ms",
        where,
    )
    _log.info("store.time.corrected", unit_no=unit_no, bid=bid, boot_start_ms=start_ms)
    _add_change(connection, unit_no, low_ms, high_ms)
    return _add_change(connection, unit_no, start_ms + low_up_ms, start_ms + high_up_ms)
