"""The embedded telemetry store: one SQLite file, one writing process, any number of readers."""

import sqlite3
import time
from collections.abc import Sequence

from services.store.counting import CountRule
from services.store.rolled_reader import RolledReader
from services.store.rolling import ROLLED, Roller
from services.store.row_keeper import RowKeeper
from services.store.rows import Row
from services.store.sealing import EVER_WEEK, SEAL_AFTER_DAYS, Sealer, weeks_with_rows

AT_ONCE_S = 0.02
"""When rolling up pauses, so that a commit waits for two days of one unit at most and not for all."""
PAGES_GIVEN_BACK = 64
"""Free pages given back to the file system with each day sealed, about a quarter of a megabyte."""


class SqliteReader(RolledReader):
    """The `StoreReader` over one SQLite file; safe to share between threads."""


class SqliteStore(RowKeeper, SqliteReader):
    """The `TelemetryStore` over one SQLite file; a commit is on the disk before it returns."""

    def __init__(
        self, path: object, *, seal_after_days: float = SEAL_AFTER_DAYS, rule: CountRule | None = None
    ) -> None:
        """Open the file for writing; weeks that ended so many days ago are sealed by and by."""
        super().__init__(path, rule=rule)
        self._sealer = Sealer(seal_after_days)
        self._roller = Roller()
        self._turn = 0

    def tidy(self, now_ms: int) -> bool:
        """Roll up or seal a little of what is old enough; return whether more waits.

        Each kind of work begins in turn, so that much of one does not keep the others waiting.
        """
        kinds = (self._roll, self._seal, self._count)
        self._turn = (self._turn + 1) % len(kinds)
        return any(work(now_ms) for work in (*kinds[self._turn :], *kinds[: self._turn]))

    def write_anew(self) -> None:
        """Write the file anew without its empty pages; from then on it gives such pages back by itself."""
        with self._access() as connection:
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            connection.execute("VACUUM")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def _roll(self, now_ms: int) -> bool:
        enough_s = time.monotonic() + AT_ONCE_S
        with self._transaction() as connection:
            while (stale := self._roller.next_due(connection, now_ms)) is not None:
                series = self.read(stale.unit, stale.from_ms, stale.to_ms, ROLLED)
                self._roller.write(connection, stale, series)
                if time.monotonic() >= enough_s:
                    break
        return self._roller.more_due

    def _seal(self, now_ms: int) -> bool:
        with self._access() as connection:
            place = self._sealer.next_due(connection, now_ms)
            sealed = None if place is None else self._sealer.prepare(connection, place)
        if sealed is not None:
            with self._transaction() as connection:
                self._sealer.write(connection, sealed)
            with self._access() as connection:
                # as a script: this pragma needs a step for each page, and `execute` would make one
                connection.executescript(f"PRAGMA incremental_vacuum({PAGES_GIVEN_BACK})")
        return self._sealer.more_due

    def _reopen(self, connection: sqlite3.Connection, unit_no: int, t_min_ms: int, t_max_ms: int) -> int:
        self._roller.reopen(connection, unit_no, t_min_ms, t_max_ms)
        return super()._reopen(connection, unit_no, t_min_ms, t_max_ms)

    def _forget(self) -> None:
        super()._forget()
        self._roller.forget()
        self._sealer.forget()

    def weeks_held(self, connection: sqlite3.Connection, unit_no: int, unit: str) -> set[int]:
        """Return the weeks in which a unit has rows or a chunk."""
        del unit
        in_rows = weeks_with_rows(connection, EVER_WEEK, settled=False, unit_no=unit_no)
        sealed = connection.execute("SELECT week FROM chunks WHERE unit_no = ?", (unit_no,))
        return {*(week for _, week in in_rows), *(week for (week,) in sealed)}

    def _stored(self, connection: sqlite3.Connection, row: Row) -> Sequence[object] | None:
        found = super()._stored(connection, row)
        return self._sealer.find(connection, row[0], row[2], row[3]) if found is None else found
