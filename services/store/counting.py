"""Time above marks and charge, for each hour of a week: beside the ledger, whatever keeps the samples.

How time between two readings counts is for the analytics to say; they lie above the store, so their rule
is passed in where a store is opened.
"""

import sqlite3
import zlib
from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

import numpy as np

from services.store.backlog import NEVER_MS, Backlog, Stretch
from services.store.chunks import WEEK_MS, week_of, week_start_ms
from services.telemetry import IntArray, Series
from services.timebase import DAY_MS, HOUR_MS

HOURS = WEEK_MS // HOUR_MS
REACH_MS = 6 * HOUR_MS
"""The furthest two readings may lie apart and still say something of the time between them."""
MOST_WEEKS = 60
"""A change that spans more is looked up instead of noted week by week: a clock was decades off."""


class CountRule(Protocol):
    """How time and charge between readings are counted."""

    version: str
    """Says which marks are counted and how; another one has everything counted again."""
    rows: Mapping[str, int]
    """Per column that is counted, how many rows of numbers there are."""

    def reach_ms(self, unit: str) -> float:
        """Return how far apart two readings of a unit may be for a line between them, in ms."""

    def count(self, column: str, series: Series, *, reach_ms: float, edges_ms: IntArray) -> IntArray:
        """Return the rows of a column for stretches of time, each whole numbers that may be added up."""


Listed = Callable[[sqlite3.Connection, int, str], Iterable[int]]
"""Returns the weeks in which a unit, by number and name, has samples."""


class Counter:
    """Counts whole UTC days that are over, some hours later: what comes late takes its day back."""

    def __init__(self, rule: CountRule | None) -> None:
        """Take the rule; without one only what is to be counted is noted."""
        self.rule = rule
        self._backlog = Backlog("counted")
        self._listing = False
        self._known: dict[int, set[int]] = {}

    def forget(self) -> None:
        """Forget what is remembered of the file."""
        self._known.clear()
        self._backlog.forget()

    @property
    def columns(self) -> list[str]:
        """The columns that are counted."""
        return [] if self.rule is None else list(self.rule.rows)

    @property
    def more_due(self) -> bool:
        """Whether another stretch waits."""
        return self._listing or bool(self._backlog)

    def touch(self, connection: sqlite3.Connection, unit_no: int, t_min_ms: int, t_max_ms: int) -> None:
        """Note that a unit has other samples than before between two times, both inclusive."""
        first_ms = t_min_ms - REACH_MS
        low, high = week_of(first_ms), week_of(t_max_ms + REACH_MS)
        known = self._known.setdefault(unit_no, set())
        if high - low > MOST_WEEKS:
            connection.execute("DELETE FROM listed WHERE unit_no = ?", (unit_no,))
        elif low not in known or high not in known:
            weeks = range(low, high + 1)
            connection.executemany(
                "INSERT OR IGNORE INTO counted VALUES (?, ?, ?, '')",
                [(unit_no, week, NEVER_MS) for week in weeks],
            )
            known.update(weeks)
        self._backlog.take_back(connection, unit_no, first_ms, (low, high))

    def next_due(self, connection: sqlite3.Connection, now_ms: int, listed: Listed) -> Stretch | None:
        """Return the next stretch to count, None when there is none for now."""
        if self.rule is None:
            return None
        version = self.rule.version

        def reached_ms(unit_no: int, week: int) -> int:
            where = (unit_no, week, version)
            found = connection.execute(
                "SELECT upto_ms FROM counted WHERE unit_no = ? AND week = ? AND version = ?", where
            )
            return next((upto_ms for (upto_ms,) in found), NEVER_MS)

        today_ms = (now_ms - REACH_MS) // DAY_MS * DAY_MS
        if self._backlog.wants_a_look(now_ms):
            self._listing = self._list_weeks(connection, listed)
            if self._listing:
                return None
            self._backlog.found(_behind(connection, version, today_ms), now_ms)
        return self._backlog.next(connection, today_ms, reached_ms)

    @staticmethod
    def _list_weeks(connection: sqlite3.Connection, listed: Listed) -> bool:
        """Note the weeks of one unit whose samples may be older than this; return whether there was one."""
        found = connection.execute(
            "SELECT unit_no, unit FROM units WHERE unit_no NOT IN (SELECT unit_no FROM listed) LIMIT 1"
        ).fetchone()
        if found is None:
            return False
        connection.executemany(
            "INSERT OR IGNORE INTO counted VALUES (?, ?, ?, '')",
            [(found[0], week, NEVER_MS) for week in listed(connection, *found)],
        )
        connection.execute("INSERT INTO listed VALUES (?)", found[:1])
        return True

    def write(self, connection: sqlite3.Connection, due: Stretch, series: Series) -> None:
        """Count a stretch from its samples, and those up to `REACH_MS` around it; within one transaction."""
        rule = self.rule
        if rule is None:
            raise ValueError("there is no rule to count by")
        first, end = ((edge_ms - week_start_ms(due.week)) // HOUR_MS for edge_ms in (due.from_ms, due.to_ms))
        edges_ms = np.arange(due.from_ms, due.to_ms + 1, HOUR_MS, dtype=np.int64)
        where = (due.unit_no, due.week)
        if first == 0:
            connection.execute("DELETE FROM week_counts WHERE unit_no = ? AND week = ?", where)
        kept = dict(
            connection.execute(
                "SELECT what, body FROM week_counts WHERE unit_no = ? AND week = ?", where
            ).fetchall()
        )
        for column, rows in rule.rows.items():
            if column not in kept and not series.has(column):
                continue
            week = np.zeros((rows, HOURS), dtype=np.int64)
            if column in kept:
                week[:, :first] = unpacked(kept[column])[:, :first]
            week[:, first:end] = rule.count(
                column, series, reach_ms=rule.reach_ms(due.unit), edges_ms=edges_ms
            )
            connection.execute(
                "INSERT OR REPLACE INTO week_counts VALUES (?, ?, ?, ?)", (*where, column, packed(week))
            )
        connection.execute(
            "INSERT OR REPLACE INTO counted VALUES (?, ?, ?, ?)", (*where, due.to_ms, rule.version)
        )
        self._backlog.done(connection, due)


def packed(rows: IntArray) -> bytes:
    """Return a week's rows of hours as the bytes that are kept."""
    return zlib.compress(rows.astype("<i4").tobytes())


def unpacked(body: bytes) -> IntArray:
    """Return a week's rows of hours from the bytes that are kept."""
    return np.frombuffer(zlib.decompress(body), dtype="<i4").reshape(-1, HOURS).astype(np.int64)


def _behind(connection: sqlite3.Connection, version: str, today_ms: int) -> list[tuple[int, int]]:
    """Return the unit-weeks whose days before today are not all counted, newest first."""
    behind = connection.execute(
        "SELECT unit_no, week FROM counted WHERE week * ?1 + ?2 < ?3"
        " AND (version != ?4 OR upto_ms < min(?3, (week + 1) * ?1 + ?2)) ORDER BY week DESC",
        (WEEK_MS, week_start_ms(0), today_ms, version),
    )
    return behind.fetchall()
