"""The telemetry store over an InfluxDB: samples there, what is held and what has changed in a ledger here.

A batch is written to the server inside the ledger's transaction: the ledger says "held" only after the
server has answered that the points are durable, and ingest acknowledges only after the ledger. Should
everything stop in between, the batch comes again and the same points are written over themselves.
"""

import re
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from typing import Any

import orjson
import structlog

from services.errors import DependencyUnavailable
from services.store import keeping
from services.store.bins import Grid
from services.store.chunks import week_of
from services.store.influx_bins import ROLLED_UP, bins_of_samples, hour_lines, hourly_of
from services.store.influx_points import (
    ALL_FIELDS,
    MEASURED_FIELDS,
    MEASUREMENT,
    clusters,
    line_of,
    row_at,
    select,
)
from services.store.influx_reader import InfluxReader
from services.store.ledger import Work
from services.store.protocol import Appended, Batch, Reject, Skipped
from services.store.row_keeper import RowKeeper
from services.store.rows import HEAD_WIDTH, VALUE_COLUMNS, Row, columns_in, values_of
from services.store.schema import IMPORTED_BID
from services.store.sealing import EVER_WEEK, SETTLED, weeks_with_rows
from services.telemetry import COLUMNS, Rejected, Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

__all__ = ["InfluxReader", "InfluxStore"]

_FIELD_NAMED = re.compile(r'input field "([^"]+)"')
"""How a server names the field whose type is another one there."""
GRACE_MS = 5 * MINUTE_MS
"""How long after its end an hour is rolled up first."""
ROLL_AT_ONCE_MS = 30 * DAY_MS
"""The longest span that is rolled up in one go."""
_STALE = (
    "SELECT unit, unit_no, columns, hour_ms FROM stale_hours JOIN units USING (unit_no)"
    " WHERE hour_ms <= ? ORDER BY unit_no, hour_ms LIMIT 1"
)
_OF_BOOT = "FROM samples WHERE unit_no = ? AND bid = ? AND up_ms IS NOT NULL"
_SETTLED_BOOTS = f"SELECT DISTINCT unit_no, bid FROM samples WHERE up_ms IS NOT NULL AND {SETTLED}"  # noqa: S608
_STATEMENTS = 5
"""Statements of one request: they travel in its address, whose length is limited."""

_log = structlog.get_logger(__name__)


class InfluxStore(RowKeeper, InfluxReader):
    """The `TelemetryStore` over an InfluxDB.

    A sample whose time may still be corrected (taken before the unit's clock was set, while the start of
    its boot is not settled) waits as a row beside the ledger, so that nothing on the server ever moves.
    """

    _found: dict[tuple[int, int, int], Row]
    """What the server holds under the identities the present batch may repeat."""
    _count_first = False
    _settled: set[tuple[int, int]] | None = None
    """Boots whose rows need not wait here any longer; None when that is not known."""

    def weeks_held(self, connection: sqlite3.Connection, unit_no: int, unit: str) -> set[int]:
        """Return the weeks from a unit's first sample to its last, and those of the rows that wait."""
        waiting = weeks_with_rows(connection, EVER_WEEK, settled=False, unit_no=unit_no)
        span = self.span_of(unit)
        between = () if span is None else range(week_of(span[0]), week_of(span[1]) + 1)
        return {*between, *(week for _, week in waiting)}

    def check(self) -> None:
        """Ask the server for next to nothing.

        Raises
        ------
        DependencyUnavailable
            If it does not answer, or (`InfluxRefused`) does not know us or the bucket.
        """
        self._server.command(f'SELECT "sq" FROM {MEASUREMENT} LIMIT 1')  # noqa: S608 - our own name

    def commit(self, batch: Batch, *, received_ms: int) -> Appended:
        """Store everything one batch of messages brought, durably, then send what has settled by it."""
        done = super().commit(batch, received_ms=received_ms)
        self._send_settled()
        return done

    def declare_skipped(self, unit: str, skipped: Skipped) -> None:
        """Record a stretch as missing; times that waited for it may be final now."""
        super().declare_skipped(unit, skipped)
        self._settled = None

    def tidy(self, now_ms: int) -> bool:
        """Bring the hourly roll-up of one unit up to date, or count a day or two; return whether more waits.

        The hour that runs is left alone. What is written twice is the same.
        """
        if not self._send_settled():
            return False
        self._count_first = not self._count_first
        first, second = (self._count, self._roll) if self._count_first else (self._roll, self._count)
        return first(now_ms) or second(now_ms)

    def _roll(self, now_ms: int) -> bool:
        hourly = hourly_of(self._server.access.bucket)
        if not self._is_rolled_up(hourly):
            return False
        done_ms = now_ms - HOUR_MS - GRACE_MS
        with self._transaction() as connection:
            stale = connection.execute(_STALE, (done_ms,)).fetchone()
            if stale is None:
                return False
            unit, unit_no, mask, from_ms = stale
            which = "FROM stale_hours WHERE unit_no = ? AND hour_ms BETWEEN ? AND ?"
            hours = (unit_no, from_ms, min(done_ms, from_ms + ROLL_AT_ONCE_MS))
            (last_ms,) = connection.execute(f"SELECT max(hour_ms) {which}", hours).fetchone()
            columns = columns_in(mask, ROLLED_UP)
            over = Grid(from_ms, last_ms + HOUR_MS, from_ms, HOUR_MS)
            if columns:
                tables = self._server.query(bins_of_samples(unit, over, columns))
                lines = hour_lines(unit, [point for table in tables for point in table.values], columns)
                for words in self._server.write(lines, bucket=hourly).values():
                    _log.error("store.influx.roll_up.refused", unit=unit, words=words)
            connection.execute(f"DELETE {which}", hours)
            return connection.execute(_STALE, (done_ms,)).fetchone() is not None

    def _look_up(self, connection: sqlite3.Connection, samples: Sequence[Sample]) -> None:
        self._found = {}
        suspects: dict[str, dict[tuple[int, int], int]] = {}
        for sample in samples:
            unit_no = self._unit_no(connection, sample.unit)
            if self._perhaps_held(connection, unit_no, sample):
                start_ms = self._boot(connection, unit_no, sample.bid).start_ms
                t_ms = sample.t_ms
                if sample.tq <= 0 and sample.up_s is not None and start_ms is not None:
                    t_ms = start_ms + round(sample.up_s * 1000.0)
                suspects.setdefault(sample.unit, {})[sample.bid, sample.sq] = t_ms
        for unit, times in suspects.items():
            self._look_for(self._unit_no(connection, unit), unit, times)

    def _look_for(self, unit_no: int, unit: str, times: dict[tuple[int, int], int]) -> None:
        """Find points by when they should be; the rest by their numbers, which takes longer."""
        self._collect(
            unit_no,
            [
                select(ALL_FIELDS, unit, start_ms=low, end_ms=high + 1)
                for low, high in clusters(times.values(), apart_ms=HOUR_MS)
            ],
        )
        lost: dict[int, list[int]] = {}
        for bid, sq in times:
            if bid != IMPORTED_BID and (unit_no, bid, sq) not in self._found:
                lost.setdefault(bid, []).append(sq)
        self._collect(
            unit_no,
            [
                f"{select(ALL_FIELDS, unit)}"
                f" AND bid = {bid} AND sq >= {min(numbers)} AND sq <= {max(numbers)}"
                for bid, numbers in lost.items()
            ],
        )

    def _collect(self, unit_no: int, statements: Sequence[str]) -> None:
        for at_once in range(0, len(statements), _STATEMENTS):
            with closing(
                self._server.query("; ".join(statements[at_once : at_once + _STATEMENTS]))
            ) as tables:
                for table in tables:
                    for point in table.values:
                        row = row_at(unit_no, point)
                        self._found[unit_no, row[2], row[3]] = row

    def _stored(self, connection: sqlite3.Connection, row: Row) -> Sequence[object] | None:
        waiting = super()._stored(connection, row)
        if waiting is not None:
            return waiting
        there = self._found.get((row[0], row[2], row[3]))
        return None if there is None else (there[1], there[6], *there[HEAD_WIDTH:])

    def _keep(self, connection: sqlite3.Connection, work: Work) -> list[Reject]:
        loose = [row for row in work.rows if self._may_move(work, row)]
        final = [row for row in work.rows if not self._may_move(work, row)] if loose else work.rows
        self._insert(connection, loose, work.used)
        refused, gone = self._send(connection, final)
        work.rows = [row for row in work.rows if (row[0], row[2], row[3]) not in gone] if gone else work.rows
        return refused

    def _may_move(self, work: Work, row: Row) -> bool:
        """Return whether the time of a row is none, or not final, or just about to be corrected."""
        if row[6] is None:
            return bool(row[4] < 0)
        boot = row[0], row[2]
        return boot in work.restarted or not self._boots[boot].start_is_final

    def _write_down(self, connection: sqlite3.Connection, work: Work) -> int | None:
        change_no = super()._write_down(connection, work)
        for unit_no, bid in work.boots:
            boot = self._boots[unit_no, bid]
            if boot.provisional and boot.start_is_final:
                # the roll-up must not be asked for these hours once the rows may be on the server
                times = connection.execute(f"SELECT t_ms {_OF_BOOT}", (unit_no, bid)).fetchall()
                self._mark_stale(connection, ((unit_no, t_ms) for (t_ms,) in times))
                if self._settled is not None:
                    self._settled.add((unit_no, bid))
        return change_no

    def _send_settled(self) -> bool:
        """Send the rows whose times are final now; return whether none is left.

        It comes after the transaction that made them final, so that readers can tell rows that may be on
        the server too, should everything stop before they are deleted here.
        """
        if self._settled is None:
            with self._access() as connection:
                self._settled = set(connection.execute(_SETTLED_BOOTS).fetchall())
        for place in sorted(self._settled):
            try:
                with self._transaction() as connection:
                    self._settle(connection, *place)
            except DependencyUnavailable as error:
                _log.warning("store.influx.settle_later", error=str(error))
                return False
            if self._settled is not None:
                self._settled.discard(place)
        return True

    def _settle(self, connection: sqlite3.Connection, unit_no: int, bid: int) -> None:
        rows = connection.execute(f"SELECT * {_OF_BOOT}", (unit_no, bid)).fetchall()
        if rows:
            for (unit,) in connection.execute("SELECT unit FROM units WHERE unit_no = ?", (unit_no,)):
                self._unit_no(connection, unit)
            refused, _ = self._send(connection, [list(row) for row in rows])
            keeping.quarantine(connection, refused)
            connection.execute(f"DELETE {_OF_BOOT}", (unit_no, bid))
            _log.info("store.influx.settled", unit_no=unit_no, bid=bid, samples=len(rows))

    def _forget(self) -> None:
        super()._forget()
        self._settled = None

    @staticmethod
    def _mark_stale(connection: sqlite3.Connection, moments: Iterable[tuple[int, int]]) -> None:
        """Have the hours that unit and time lie in rolled up again."""
        stale = {(unit_no, t_ms - t_ms % HOUR_MS) for unit_no, t_ms in moments}
        connection.executemany("INSERT OR IGNORE INTO stale_hours VALUES (?, ?)", stale)

    def send(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> list[Reject]:
        """Write rows of known units as they are, within a transaction; return what the server refused."""
        for (unit,) in connection.execute("SELECT unit FROM units").fetchall():
            self._unit_no(connection, unit)
        return self._send(connection, rows)[0]

    def points(self, statement: str) -> list[list[Any]]:
        """Return what the server answers to a statement."""
        return [point for table in self._server.query(statement) for point in table.values]

    def _send(
        self, connection: sqlite3.Connection, rows: Sequence[Row]
    ) -> tuple[list[Reject], set[tuple[int, int, int]]]:
        """Write rows to the server; return what it would not have, and whose rows are not there at all.

        Where it names a field that has another type there, the sample is stored without that field.
        """
        names = {number: unit for unit, number in self._units.items()}
        rejects: list[Reject] = []
        gone: set[tuple[int, int, int]] = set()
        left = list(rows)
        while left:
            answers = self._server.write([line_of(names[row[0]], row) for row in left])
            again = []
            for place, words in sorted(answers.items()):
                row = left[place]
                named = _FIELD_NAMED.search(words)
                field = named.group(1) if named else ""
                at = HEAD_WIDTH + MEASURED_FIELDS.index(field) if field in MEASURED_FIELDS else None
                rejects.append(_reject_of(names[row[0]], row, at, words))
                if at is None or row[at] is None:
                    gone.add((row[0], row[2], row[3]))
                else:
                    again.append([*row[:at], None, *row[at + 1 :]])
            left = again
        self._mark_stale(connection, ((row[0], row[1]) for row in rows))
        return rejects, gone


def _reject_of(unit: str, row: Row, at: int | None, words: str) -> Reject:
    """Return what the server refused as it goes to quarantine: one value, or the whole sample."""
    values = values_of(row[HEAD_WIDTH:])
    channel = None
    if at is not None and at - HEAD_WIDTH < len(VALUE_COLUMNS):
        column = VALUE_COLUMNS[at - HEAD_WIDTH]
        channel, values = COLUMNS[column].name, {column: values[column]} if column in values else values
    rejected = Rejected("server_refused", words, unit, row[2], row[3], channel)
    body = {"t_ms": row[1], "tq": row[4], "values": values}
    return Reject(rejected, "", orjson.dumps(body), row[5])
