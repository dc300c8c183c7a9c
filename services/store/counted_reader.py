"""Hours counted by the rule a store was opened with: from what is kept, and from samples where it is not."""

from collections.abc import Iterator

import numpy as np

from services.store.chunks import week_of, week_start_ms
from services.store.counting import REACH_MS, unpacked
from services.store.ledger_reader import LedgerReader
from services.telemetry import IntArray
from services.timebase import HOUR_MS


class CountedReader(LedgerReader):
    """Time above marks and charge over days and years; the numbers are the same either way."""

    def counted(self, unit: str, column: str, edges_ms: IntArray) -> IntArray | None:
        """Return the rows the rule counts of a column, one number for each stretch; edges are on the hour.

        None when the store was opened without a rule that counts the column.
        """
        if self._rule is None or column not in self._rule.rows:
            return None
        first_ms, end_ms = int(edges_ms[0]), int(edges_ms[-1])
        hours = np.zeros((self._rule.rows[column], (end_ms - first_ms) // HOUR_MS + 1), dtype=np.int64)
        known = self._unit(unit)
        if known is not None and first_ms < end_ms:
            parts = list(self._counted_weeks(known[0], column, first_ms, end_ms))
            starts, ends = [low_ms for low_ms, _, _ in parts], [high_ms for _, high_ms, _ in parts]
            for low_ms, high_ms in zip([first_ms, *ends], [*starts, end_ms], strict=True):
                if low_ms < high_ms:  # not counted yet, or late data took it back
                    parts.append((low_ms, high_ms, self._of_samples(unit, column, low_ms, high_ms)))
            for low_ms, high_ms, part in parts:
                hours[:, (low_ms - first_ms) // HOUR_MS : (high_ms - first_ms) // HOUR_MS] = part
        sums = np.add.reduceat(hours, (edges_ms[:-1] - first_ms) // HOUR_MS, axis=1)
        return np.where(np.diff(edges_ms) > 0, sums, 0)

    def _counted_weeks(
        self, unit_no: int, column: str, first_ms: int, end_ms: int
    ) -> Iterator[tuple[int, int, IntArray]]:
        """Yield start and end of what is counted of each week within a span, and the hours."""
        rows = self._rows(
            "SELECT week, upto_ms, (SELECT body FROM week_counts AS held WHERE held.unit_no = counted.unit_no"
            " AND held.week = counted.week AND what = ?) FROM counted"
            " WHERE unit_no = ? AND week BETWEEN ? AND ? AND version = ?"
            " ORDER BY week",
            column,
            unit_no,
            week_of(first_ms),
            week_of(end_ms),
            "" if self._rule is None else self._rule.version,
        )
        for week, upto_ms, body in rows:
            start_ms = week_start_ms(week)
            low_ms, high_ms = max(start_ms, first_ms), min(upto_ms, end_ms)
            if low_ms < high_ms:
                low, high = (low_ms - start_ms) // HOUR_MS, (high_ms - start_ms) // HOUR_MS
                nothing = np.zeros((1, 1), dtype=np.int64)
                yield low_ms, high_ms, nothing if body is None else unpacked(body)[:, low:high]

    def _of_samples(self, unit: str, column: str, low_ms: int, high_ms: int) -> IntArray:
        """Return the hours of a span worked out from the samples themselves."""
        rule = self._rule
        if rule is None:
            raise ValueError("there is no rule to count by")
        edges_ms = np.arange(low_ms, high_ms + 1, HOUR_MS, dtype=np.int64)
        series = self.read(unit, low_ms - REACH_MS, high_ms + REACH_MS, [column])
        return rule.count(column, series, reach_ms=rule.reach_ms(unit), edges_ms=edges_ms)
