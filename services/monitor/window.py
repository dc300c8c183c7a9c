"""Keeps the looked-at days of each unit at hand, reading only what the change feed says is new."""

from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from services.store import StoreReader
from services.telemetry import TEXT_COLUMNS, Series

ROWS_KEPT = 6_000_000
"""How many samples stay in memory, about 60 bytes each: 500 units with eight days of minutes."""


@dataclass(frozen=True, slots=True)
class _Kept:
    start_ms: int
    end_ms: int
    series: Series


class Windows:
    """Returns the samples of a unit in a moving window, equal to a fresh read of the store."""

    def __init__(self, reader: StoreReader, rows_kept: int = ROWS_KEPT) -> None:
        """Read from `reader`, and keep at most so many samples, of the units asked for last."""
        self._reader = reader
        self._rows_kept = rows_kept
        self._rows = 0
        self._kept: OrderedDict[str, _Kept] = OrderedDict()
        self.rows_read = 0
        """How many samples were read from the store so far."""

    def read(self, unit: str, start_ms: int, end_ms: int, *, touched_from_ms: int | None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``.

        `touched_from_ms` is the earliest time at which the feed reported a change since the last
        call for this unit; None when it reported none.
        """
        kept = self._kept.get(unit)
        if kept is None or start_ms < kept.start_ms:
            series = self._fresh(unit, start_ms, end_ms)
        else:
            known_to_ms = min(kept.end_ms, end_ms, end_ms if touched_from_ms is None else touched_from_ms)
            tail = self._fresh(unit, max(start_ms, known_to_ms), end_ms)
            series = joined(kept.series.between(start_ms, known_to_ms), tail)
        self.forget(unit)
        self._kept[unit] = _Kept(start_ms, end_ms, series)
        self._rows += len(series)
        while self._rows > self._rows_kept and len(self._kept) > 1:
            self.forget(next(iter(self._kept)))
        return series

    def touched(self, unit: str, from_ms: int) -> None:
        """Read a unit's samples from a moment on anew next time: the feed told of a change there."""
        kept = self._kept.get(unit)
        if kept is not None and from_ms < kept.end_ms:
            self._kept[unit] = replace(kept, end_ms=from_ms)

    def past(self, unit: str, start_ms: int, end_ms: int) -> Series:
        """Return the samples of a stretch of the past, keeping nothing."""
        return self._fresh(unit, start_ms, end_ms)

    def forget(self, unit: str) -> None:
        """Read a unit afresh next time: what the feed said of it may have been lost."""
        kept = self._kept.pop(unit, None)
        self._rows -= 0 if kept is None else len(kept.series)

    def _fresh(self, unit: str, start_ms: int, end_ms: int) -> Series:
        if end_ms <= start_ms:
            return Series.empty()
        series = self._reader.read(unit, start_ms, end_ms)
        self.rows_read += len(series)
        return series


def joined(first: Series, second: Series) -> Series:
    """Return two series one after the other; a column of only one of them is filled up as not measured."""
    if not len(first):
        return second
    if not len(second):
        return first
    names = first.columns.keys() | second.columns.keys()
    columns = {n: np.concatenate((_column(first, n), _column(second, n))) for n in sorted(names)}
    return Series(np.concatenate((first.t_ms, second.t_ms)), columns)


def _column(series: Series, name: str) -> npt.NDArray[Any]:
    return series.texts(name) if name in TEXT_COLUMNS else series.numbers(name)
