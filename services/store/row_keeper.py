"""Keeping samples as rows of the store's own file, in the ledger's transaction."""

import sqlite3
from collections.abc import Sequence

import structlog

from services.store.ledger import Ledger, Work
from services.store.protocol import Reject
from services.store.row_reader import RowReader
from services.store.rows import SELECT_VALUES, Row, insert_of

_log = structlog.get_logger(__name__)


class RowKeeper(RowReader, Ledger):
    """The writing side of samples as rows."""

    def _stored(self, connection: sqlite3.Connection, row: Row) -> Sequence[object] | None:
        found: Sequence[object] | None = connection.execute(
            SELECT_VALUES, (row[0], row[2], row[3])
        ).fetchone()
        return found

    def _keep(self, connection: sqlite3.Connection, work: Work) -> list[Reject]:
        self._insert(connection, work.rows, work.used)
        return []

    @staticmethod
    def _insert(connection: sqlite3.Connection, rows: Sequence[Row], used: int) -> None:
        """Insert rows that have nothing outside the columns given as bits."""
        statement, places = insert_of(used)
        connection.executemany(statement, [[row[place] for place in places] for row in rows])

    def _move(
        self, connection: sqlite3.Connection, unit_no: int, bid: int, start_ms: int
    ) -> list[tuple[int, int]]:
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
            return []
        connection.execute(
            "UPDATE samples SET t_ms = ?3 + up_ms WHERE unit_no = ?1 AND bid = ?2"
            " AND up_ms IS NOT NULL AND t_ms != ?3 + up_ms",
            where,
        )
        _log.info("store.time.corrected", unit_no=unit_no, bid=bid, boot_start_ms=start_ms)
        return [(low_ms, high_ms), (start_ms + low_up_ms, start_ms + high_up_ms)]
