"""Which stretches of which unit are to be worked out again, for the roll-up and for the counted hours.

A table says up to when each week of a unit is worked out. Whole UTC days are worked out once they are over;
a sample that comes late takes its day, and what follows it in that week, back.
"""

import sqlite3
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from services.store.chunks import week_start_ms
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

LOOK_EVERY_MS = HOUR_MS
"""How often it is looked for what is behind."""
REOPENED_EVERY_MS = 5 * MINUTE_MS
"""How often while days are taken back: a unit that sends a backlog takes the same days back all the time."""
AT_ONCE_MS = 2 * DAY_MS
"""The longest stretch that is worked out in one go."""
NEVER_MS = -(2**62)
"""Stands for up to when a week is worked out of which nothing is."""

Reached = Callable[[int, int], int]
"""Returns up to when a unit's week is worked out."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of one unit's week that is to be worked out."""

    unit_no: int
    unit: str
    week: int
    from_ms: int
    to_ms: int


class Backlog:
    """What waits to be worked out, in the order it was found in."""

    def __init__(self, table: str) -> None:
        """Take the name of the table; what waits is looked up when first asked."""
        self._table = table
        self._waiting: deque[tuple[int, int]] = deque()
        self._looked_ms = NEVER_MS
        self._reopened = False
        self._upto_ms: dict[int, int] = {}
        """Per unit, an instant after which nothing is worked out."""

    def __bool__(self) -> bool:
        """Whether another stretch waits."""
        return bool(self._waiting)

    def forget(self) -> None:
        """Forget what is remembered of the table."""
        self._upto_ms.clear()

    def wants_a_look(self, now_ms: int) -> bool:
        """Whether nothing waits, and it is time to look for what is behind."""
        pause_ms = REOPENED_EVERY_MS if self._reopened else LOOK_EVERY_MS
        return not self._waiting and not 0 <= now_ms - self._looked_ms < pause_ms

    def found(self, places: Iterable[tuple[int, int]], now_ms: int) -> None:
        """Take the unit-weeks that a look has found behind."""
        self._looked_ms, self._reopened = now_ms, False
        self._waiting.extend(places)

    def next(self, connection: sqlite3.Connection, today_ms: int, reached: Reached) -> Stretch | None:
        """Return the next stretch that ends before today, None when there is none."""
        while self._waiting:
            unit_no, week = self._waiting.popleft()
            from_ms = max(week_start_ms(week), reached(unit_no, week))
            to_ms = min(week_start_ms(week + 1), today_ms)
            if from_ms < to_ms:
                if from_ms + AT_ONCE_MS < to_ms:
                    to_ms = from_ms + AT_ONCE_MS
                    self._waiting.appendleft((unit_no, week))
                (unit,) = connection.execute(
                    "SELECT unit FROM units WHERE unit_no = ?", (unit_no,)
                ).fetchone()
                return Stretch(unit_no, unit, week, from_ms, to_ms)
        return None

    def done(self, connection: sqlite3.Connection, stretch: Stretch) -> None:
        """Remember that a stretch is worked out; the table is written by whoever did it."""
        self._upto_ms[stretch.unit_no] = max(self._upto(connection, stretch.unit_no), stretch.to_ms)

    def take_back(
        self, connection: sqlite3.Connection, unit_no: int, from_ms: int, weeks: tuple[int, int]
    ) -> None:
        """Take back what is worked out from the day of an instant on, in the weeks from one to another."""
        day_ms = from_ms - from_ms % DAY_MS
        if day_ms >= self._upto(connection, unit_no):
            return  # the usual case: live samples are newer than anything worked out
        changed = connection.execute(
            f"UPDATE {self._table} SET upto_ms = ?"  # noqa: S608 - one of our own tables
            " WHERE unit_no = ? AND week BETWEEN ? AND ? AND upto_ms > ?",
            (day_ms, unit_no, *weeks, day_ms),
        ).rowcount
        self._reopened = self._reopened or changed > 0

    def _upto(self, connection: sqlite3.Connection, unit_no: int) -> int:
        upto_ms = self._upto_ms.get(unit_no)
        if upto_ms is None:
            (newest_ms,) = connection.execute(
                f"SELECT max(upto_ms) FROM {self._table} WHERE unit_no = ?",  # noqa: S608 - as above
                (unit_no,),
            ).fetchone()
            upto_ms = self._upto_ms[unit_no] = NEVER_MS if newest_ms is None else newest_ms
        return upto_ms
