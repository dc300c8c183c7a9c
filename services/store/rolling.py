"""Keeps the hourly roll-ups true: what has changed is worked out again, some days of a unit at a time."""

import sqlite3
from collections import deque
from dataclasses import dataclass

from services.store import hours
from services.store.bins import Gathered, Grid, gathered
from services.store.chunks import week_of, week_start_ms
from services.store.hours import HOURS
from services.store.rows import VALUE_COLUMNS
from services.store.sealing import weeks_with_rows
from services.telemetry import BOOLEAN_COLUMNS, NUMERIC_COLUMNS, Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

ROLLED = (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS)
LOOK_EVERY_MS = HOUR_MS
"""How often it is looked for what is behind."""
REOPENED_EVERY_MS = 5 * MINUTE_MS
"""How often while days are taken back: a unit that sends a backlog takes the same days back all the time."""
ROLLED_AT_ONCE_MS = 2 * DAY_MS
"""The longest stretch that is rolled up in one go."""
_NEVER_MS = -(2**62)


@dataclass(frozen=True, slots=True)
class Stale:
    """A stretch of one unit's week that is to be rolled up."""

    unit_no: int
    unit: str
    week: int
    from_ms: int
    to_ms: int


class Roller:
    """Rolls up whole UTC days that are over; a sample that comes late takes its day back."""

    def __init__(self) -> None:
        """Begin without knowing anything: what is due is looked up when first asked."""
        self._due: deque[tuple[int, int]] = deque()
        self._looked_ms = _NEVER_MS
        self._reopened = False
        self._upto_ms: dict[int, int] = {}
        """Per unit, an instant after which nothing is rolled up."""

    def forget(self) -> None:
        """Forget what is remembered of the file."""
        self._upto_ms.clear()

    def next_due(self, connection: sqlite3.Connection, now_ms: int) -> Stale | None:
        """Return the next stretch to roll up, None when there is none for now."""
        pause_ms = REOPENED_EVERY_MS if self._reopened else LOOK_EVERY_MS
        if not self._due and not 0 <= now_ms - self._looked_ms < pause_ms:
            self._looked_ms, self._reopened = now_ms, False
            self._due.extend(_behind(connection, now_ms - now_ms % DAY_MS))
        while self._due:
            unit_no, week = self._due.popleft()
            unit, upto_ms = connection.execute(
                "SELECT unit, (SELECT upto_ms FROM rolled WHERE unit_no = ?1 AND week = ?2) FROM units"
                " WHERE unit_no = ?1",
                (unit_no, week),
            ).fetchone()
            from_ms = max(week_start_ms(week), _NEVER_MS if upto_ms is None else upto_ms)
            to_ms = min(week_start_ms(week + 1), now_ms - now_ms % DAY_MS)
            if from_ms < to_ms:
                if from_ms + ROLLED_AT_ONCE_MS < to_ms:
                    to_ms = from_ms + ROLLED_AT_ONCE_MS
                    self._due.appendleft((unit_no, week))
                return Stale(unit_no, unit, week, from_ms, to_ms)
        return None

    @property
    def more_due(self) -> bool:
        """Whether another stretch waits."""
        return bool(self._due)

    def write(self, connection: sqlite3.Connection, stale: Stale, series: Series) -> None:
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
        self._upto_ms[stale.unit_no] = max(self._upto(connection, stale.unit_no), stale.to_ms)

    def reopen(self, connection: sqlite3.Connection, unit_no: int, t_min_ms: int, t_max_ms: int) -> None:
        """Take back what is rolled up from the day of an instant on, in the weeks up to another."""
        day_ms = t_min_ms - t_min_ms % DAY_MS
        if day_ms >= self._upto(connection, unit_no):
            return  # the usual case: live samples are newer than any roll-up
        changed = connection.execute(
            "UPDATE rolled SET upto_ms = ? WHERE unit_no = ? AND week BETWEEN ? AND ? AND upto_ms > ?",
            (day_ms, unit_no, week_of(t_min_ms), week_of(t_max_ms), day_ms),
        ).rowcount
        if changed:
            self._reopened = True

    def _upto(self, connection: sqlite3.Connection, unit_no: int) -> int:
        upto_ms = self._upto_ms.get(unit_no)
        if upto_ms is None:
            found = connection.execute("SELECT max(upto_ms) FROM rolled WHERE unit_no = ?", (unit_no,))
            (newest_ms,) = found.fetchone()
            upto_ms = self._upto_ms[unit_no] = _NEVER_MS if newest_ms is None else newest_ms
        return upto_ms


def _behind(connection: sqlite3.Connection, today_ms: int) -> list[tuple[int, int]]:
    """Return the unit-weeks whose days before today are not all rolled up, newest first."""
    upto_ms: dict[tuple[int, int], int] = dict.fromkeys(
        weeks_with_rows(connection, week_of(today_ms) + 1, settled=False), _NEVER_MS
    )
    upto_ms.update(dict.fromkeys(connection.execute("SELECT unit_no, week FROM chunks"), _NEVER_MS))
    for unit_no, week, found_ms in connection.execute("SELECT unit_no, week, upto_ms FROM rolled"):
        upto_ms[unit_no, week] = found_ms
    behind = [
        place for place, found_ms in upto_ms.items() if found_ms < min(week_start_ms(place[1] + 1), today_ms)
    ]
    return sorted(behind, key=lambda place: -place[1])
