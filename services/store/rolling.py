"""Keeps the hourly roll-ups true: what has changed is worked out again, some days of a unit at a time."""

import sqlite3

from services.store import hours
from services.store.backlog import NEVER_MS, Backlog, Stretch
from services.store.bins import Gathered, Grid, gathered
from services.store.chunks import week_of, week_start_ms
from services.store.hours import HOURS
from services.store.rows import VALUE_COLUMNS
from services.store.sealing import weeks_with_rows
from services.telemetry import BOOLEAN_COLUMNS, NUMERIC_COLUMNS, Series
from services.timebase import DAY_MS, HOUR_MS

ROLLED = (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS)


class Roller:
    """Rolls up whole UTC days that are over; a sample that comes late takes its day back."""

    def __init__(self) -> None:
        """Begin without knowing anything: what is due is looked up when first asked."""
        self._backlog = Backlog("rolled")

    def forget(self) -> None:
        """Forget what is remembered of the file."""
        self._backlog.forget()

    def next_due(self, connection: sqlite3.Connection, now_ms: int) -> Stretch | None:
        """Return the next stretch to roll up, None when there is none for now."""

        def reached_ms(unit_no: int, week: int) -> int:
            where = (unit_no, week)
            found = connection.execute("SELECT upto_ms FROM rolled WHERE unit_no = ? AND week = ?", where)
            return next((upto_ms for (upto_ms,) in found), NEVER_MS)

        today_ms = now_ms - now_ms % DAY_MS
        if self._backlog.wants_a_look(now_ms):
            self._backlog.found(_behind(connection, today_ms), now_ms)
        return self._backlog.next(connection, today_ms, reached_ms)

    @property
    def more_due(self) -> bool:
        """Whether another stretch waits."""
        return bool(self._backlog)

    def write(self, connection: sqlite3.Connection, stale: Stretch, series: Series) -> None:
        """Roll up a stretch from its samples; to be called within one transaction."""
        start_ms = week_start_ms(stale.week)
        first = (stale.from_ms - start_ms) // HOUR_MS
        piece = Grid(stale.from_ms, stale.to_ms, stale.from_ms, HOUR_MS)
        kept = dict(
            connection.execute(
                "SELECT place, body FROM week_hours WHERE unit_no = ? AND week = ?",
                (stale.unit_no, stale.week),
            ).fetchall()
        )
        for place, column in enumerate(VALUE_COLUMNS):
            if column not in ROLLED or not (place in kept or series.has(column)):
                continue
            week = Gathered.nothing(HOURS)
            if place in kept:
                week.put(0, hours.unpacked(kept[place]).part(0, first))
            week.put(first, gathered(series.t_ms, series.numbers(column), piece))
            connection.execute(
                "INSERT OR REPLACE INTO week_hours VALUES (?, ?, ?, ?)",
                (stale.unit_no, stale.week, place, hours.packed(week)),
            )
        connection.execute(
            "INSERT OR REPLACE INTO rolled VALUES (?, ?, ?)", (stale.unit_no, stale.week, stale.to_ms)
        )
        self._backlog.done(connection, stale)

    def reopen(self, connection: sqlite3.Connection, unit_no: int, t_min_ms: int, t_max_ms: int) -> None:
        """Take back what is rolled up from the day of an instant on, in the weeks up to another."""
        self._backlog.take_back(connection, unit_no, t_min_ms, (week_of(t_min_ms), week_of(t_max_ms)))


def _behind(connection: sqlite3.Connection, today_ms: int) -> list[tuple[int, int]]:
    """Return the unit-weeks whose days before today are not all rolled up, newest first."""
    upto_ms: dict[tuple[int, int], int] = dict.fromkeys(
        weeks_with_rows(connection, week_of(today_ms) + 1, settled=False), NEVER_MS
    )
    upto_ms.update(dict.fromkeys(connection.execute("SELECT unit_no, week FROM chunks"), NEVER_MS))
    for unit_no, week, found_ms in connection.execute("SELECT unit_no, week, upto_ms FROM rolled"):
        upto_ms[unit_no, week] = found_ms
    behind = [
        place for place, found_ms in upto_ms.items() if found_ms < min(week_start_ms(place[1] + 1), today_ms)
    ]
    return sorted(behind, key=lambda place: -place[1])
