"""Writing what every store writes down beside its samples: one transaction for all that a batch brought."""

import sqlite3
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import orjson
import structlog

from services.store import keeping
from services.store.counting import REACH_MS, Counter, CountRule
from services.store.held import Held, Run
from services.store.ledger_reader import LedgerReader
from services.store.protocol import Appended, Batch, Reject, Skipped, WaitingPack
from services.store.rows import Row, measured_of, row_of
from services.store.schema import IMPORTED_BID, save_runs
from services.store.wal import WriteAheadLog
from services.telemetry import Rejected, Sample

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Boot:
    """What the writer remembers of one boot of one unit."""

    held: Held
    newest: int
    start_ms: int | None = None
    start_sq: int | None = None
    provisional: bool = False
    """Whether a sample taken before the clock was set has been seen."""

    @property
    def start_is_final(self) -> bool:
        """Whether no sample can still come that would say better when the boot began."""
        return self.start_sq is not None and self.held.mark >= self.start_sq


@dataclass(slots=True)
class Work:
    """What one transaction is about to write."""

    rows: list[Row] = field(default_factory=list)
    used: int = 0
    """Which measured columns the rows have something in, as bits."""
    fresh: dict[tuple[int, int, int], Row] = field(default_factory=dict)
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


class Ledger(LedgerReader):
    """The writing side of a store but for its samples; a commit is on the disk before it returns.

    A store says how it finds, keeps and re-dates samples; all of it happens between the beginning and
    the end of the ledger's transaction, so that nothing is written down as held before it is.
    """

    _writer = True

    def __init__(self, path: object, *, rule: CountRule | None = None) -> None:
        """Open the file for writing; `rule` says how time between readings is counted."""
        super().__init__(str(path), rule=rule)
        self._counter = Counter(rule)
        self._units: dict[str, int] = {}
        self._masks: dict[int, int] = {}
        self._boots: dict[tuple[int, int], Boot] = {}
        self._commits = 0
        self._seen = 0
        """State of the file as last seen: another number when another process has written to it."""
        self._log = WriteAheadLog(self.path)

    @abstractmethod
    def _stored(self, connection: sqlite3.Connection, row: Row) -> Sequence[object] | None:
        """Return time, uptime and measured columns kept under the identity of a row, None when none are."""

    @abstractmethod
    def _keep(self, connection: sqlite3.Connection, work: Work) -> list[Reject]:
        """Keep new rows durably; return what the database would not have, which counts as held."""

    @abstractmethod
    def _move(
        self, connection: sqlite3.Connection, unit_no: int, bid: int, start_ms: int
    ) -> list[tuple[int, int]]:
        """Re-date the samples of a boot by its start; return the windows they left and those they went to."""

    @abstractmethod
    def weeks_held(self, connection: sqlite3.Connection, unit_no: int, unit: str) -> Iterable[int]:
        """Return the weeks in which a unit has samples; it is asked once for each."""

    def _look_up(self, connection: sqlite3.Connection, samples: Sequence[Sample]) -> None:
        """Prepare for `_stored` being asked about samples; for stores where asking one by one is slow."""

    def append(
        self, samples: Sequence[Sample], *, received_ms: int, rejects: Sequence[Reject] = ()
    ) -> Appended:
        """Store samples and rejects durably in one transaction, before returning."""
        return self.commit(Batch(samples=samples, rejects=rejects), received_ms=received_ms)

    def commit(self, batch: Batch, *, received_ms: int) -> Appended:
        """Store everything one batch of messages brought, durably, in one transaction."""
        work = Work()
        with self._transaction() as connection:
            self._look_up(connection, batch.samples)
            for sample in batch.samples:
                self._take(connection, work, sample, received_ms)
            refused = self._keep(connection, work)
            change_no = self._write_down(connection, work)
            keeping.quarantine(connection, [*batch.rejects, *work.conflicts, *refused])
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
            around = [each for each in boot.held.around(skipped.from_sq, skipped.to_sq) if each is not None]
            boot.held.add(skipped.from_sq, skipped.to_sq)
            boot.newest = max(boot.newest, skipped.to_sq)
            self._save_boots(connection, [(unit_no, skipped.bid)])
            if around:
                self._reopen(connection, unit_no, min(around), max(around))

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
    def held(self, *, writing: bool = False) -> Iterator[sqlite3.Connection]:
        """Hold the file, for the parts of the store that move whole weeks; writing is one transaction."""
        with self._transaction() if writing else self._access() as connection:
            yield connection

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """Write all of it or nothing; what was remembered is forgotten when nothing was written."""
        with self._access() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                self._heed_others(connection)
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                self._forget()
                raise
            try:
                self._log.keep_small(connection)
            except sqlite3.OperationalError as error:  # what is committed stays so: it must not come again
                _log.warning("store.wal.not_emptied", error=str(error))

    def _count(self, now_ms: int) -> bool:
        """Count the hours of a day or two that are over; return whether more waits."""
        with self._transaction() as connection:
            due = self._counter.next_due(connection, now_ms, self.weeks_held)
            if due is not None:
                around = (due.from_ms - REACH_MS, due.to_ms + REACH_MS)
                self._counter.write(connection, due, self.read(due.unit, *around, self._counter.columns))
        return self._counter.more_due

    def _heed_others(self, connection: sqlite3.Connection) -> None:
        """Forget what is remembered when somebody else has written meanwhile, as an import does."""
        seen = connection.execute("PRAGMA data_version").fetchone()[0]
        if seen != self._seen:
            self._forget()
            self._seen = seen

    def _forget(self) -> None:
        """Forget what is remembered of the file: a transaction came to nothing, or somebody else wrote."""
        self._units.clear()
        self._masks.clear()
        self._boots.clear()
        self._counter.forget()

    def _unit_no(self, connection: sqlite3.Connection, unit: str) -> int:
        number = self._units.get(unit)
        if number is None:
            connection.execute("INSERT OR IGNORE INTO units (unit) VALUES (?)", (unit,))
            row = connection.execute("SELECT unit_no, columns FROM units WHERE unit = ?", (unit,)).fetchone()
            number = self._units[unit] = int(row[0])
            self._masks[number] = int(row[1])
        return number

    def _boot(self, connection: sqlite3.Connection, unit_no: int, bid: int) -> Boot:
        """Return what is held of a boot, read from the ledger when it is not in memory."""
        boot = self._boots.get((unit_no, bid))
        if boot is None:
            row = connection.execute(
                "SELECT newest, start_ms, start_sq, provisional FROM boots WHERE unit_no = ? AND bid = ?",
                (unit_no, bid),
            ).fetchone() or (-1, None, None, 0)
            runs = connection.execute(
                "SELECT from_sq, to_sq, first_ms, last_ms, first_up_ms, last_up_ms FROM runs"
                " WHERE unit_no = ? AND bid = ? ORDER BY from_sq",
                (unit_no, bid),
            )
            boot = Boot(Held([Run(*run) for run in runs]), row[0], row[1], row[2], bool(row[3]))
            self._boots[(unit_no, bid)] = boot
        return boot

    def _perhaps_held(self, connection: sqlite3.Connection, unit_no: int, sample: Sample) -> bool:
        """Return whether a sample's number may be taken; for imported logs only the newest is known."""
        boot = self._boot(connection, unit_no, sample.bid)
        return sample.sq <= boot.newest if sample.bid == IMPORTED_BID else boot.held.holds(sample.sq)

    def _take(self, connection: sqlite3.Connection, work: Work, sample: Sample, received_ms: int) -> None:
        """Sort one sample into new, duplicate or conflict."""
        unit_no = self._unit_no(connection, sample.unit)
        bid, sq = sample.bid, sample.sq
        boot = self._boot(connection, unit_no, bid)
        measured, mask = measured_of(sample.values)
        row = row_of(unit_no, sample, received_ms, measured)
        if self._perhaps_held(connection, unit_no, sample) and self._known(connection, work, sample, row):
            return
        if bid != IMPORTED_BID:
            self._settle_time(work, boot, sample, row)
            boot.held.add(sq, sq, row[1] if row[4] >= 0 else None, row[6])
        boot.newest = max(boot.newest, sq)
        work.rows.append(row)
        work.fresh[unit_no, bid, sq] = row
        work.boots.add((unit_no, bid))
        work.touch(unit_no, row[1])
        work.used |= mask
        if mask & ~work.masks.get(unit_no, self._masks[unit_no]):
            work.masks[unit_no] = mask | work.masks.get(unit_no, self._masks[unit_no])

    def _known(self, connection: sqlite3.Connection, work: Work, sample: Sample, row: Row) -> bool:
        """Return whether the identity is taken; other values than the first go to quarantine."""
        fresh = work.fresh.get((row[0], sample.bid, sample.sq))
        stored = self._stored(connection, row) if fresh is None else (fresh[1], fresh[6], *fresh[7:])
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
        work.conflicts.append(Reject(rejected, "", orjson.dumps(body), row[5]))
        return True

    @staticmethod
    def _settle_time(work: Work, boot: Boot, sample: Sample, row: Row) -> None:
        """Learn the start of a boot from a set clock, or use it for a sample taken before that.

        The first sample (by number) with a set clock decides, so that arrival order changes nothing.
        """
        if sample.up_s is None:
            return
        up_ms = round(sample.up_s * 1000.0)
        if sample.tq > 0:
            better = boot.start_sq is None or (sample.sq < boot.start_sq and not boot.start_is_final)
            if better:
                boot.start_ms, boot.start_sq = sample.t_ms - up_ms, sample.sq
                work.restarted.add((row[0], sample.bid))
            return
        boot.provisional = True
        if boot.start_ms is not None:
            row[1], row[4] = boot.start_ms + up_ms, 1

    def _write_down(self, connection: sqlite3.Connection, work: Work) -> int | None:
        """Write down what the kept rows mean; return the newest change."""
        for unit_no, mask in work.masks.items():
            connection.execute("UPDATE units SET columns = ? WHERE unit_no = ?", (mask, unit_no))
            self._masks[unit_no] = mask
        change_no = None
        for unit_no, bid in sorted(work.restarted):
            boot = self._boots[unit_no, bid]
            if boot.provisional and boot.start_ms is not None:
                boot.held.start_at(boot.start_ms)
                for low_ms, high_ms in self._move(connection, unit_no, bid, boot.start_ms):
                    change_no = self._reopen(connection, unit_no, low_ms, high_ms)
        self._save_boots(connection, work.boots)
        for unit_no, (t_min_ms, t_max_ms) in work.windows.items():
            change_no = self._reopen(connection, unit_no, t_min_ms, t_max_ms)
        return change_no

    def _reopen(self, connection: sqlite3.Connection, unit_no: int, t_min_ms: int, t_max_ms: int) -> int:
        """Tell that a unit has other samples than before between two times; return the change's number."""
        self._counter.touch(connection, unit_no, t_min_ms, t_max_ms)
        cursor = connection.execute(
            "INSERT INTO changes (unit_no, t_min_ms, t_max_ms) VALUES (?, ?, ?)",
            (unit_no, t_min_ms, t_max_ms),
        )
        return int(cursor.lastrowid or 0)

    def _save_boots(self, connection: sqlite3.Connection, touched: Iterable[tuple[int, int]]) -> None:
        rows = []
        for unit_no, bid in touched:
            boot = self._boots[unit_no, bid]
            rows.append(
                (unit_no, bid, boot.held.mark, boot.newest, boot.start_ms, boot.start_sq, boot.provisional)
            )
            save_runs(connection, unit_no, bid, boot.held)
        connection.executemany("INSERT OR REPLACE INTO boots VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
