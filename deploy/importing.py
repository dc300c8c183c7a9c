"""Bring a logger's file into the store as samples of boot -1, numbered by their time."""

import math
from collections.abc import Iterator
from itertools import islice

import numpy as np

from services.analytics.quality import merged
from services.clock import now_ms
from services.errors import ConfigurationError
from services.store import Appended, TelemetryStore
from services.telemetry import COLUMNS, Sample, Series, Value
from services.timebase import MINUTE_MS, iso_of

IMPORTED_BID = -1
SYNCHRONISED = 2
AHEAD_MS = 5 * MINUTE_MS
"""How far a clock may be ahead of ours (design 3.1)."""
_ROWS_AT_ONCE = 1_000


def _value(kind: str, cell: float | str | None) -> Value | None:
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return None
    return bool(cell) if kind == "boolean" else cell


def samples_of(unit: str, series: Series) -> Iterator[Sample]:
    """Yield a series row by row; rows of one time are merged as every analysis merges them."""
    once, _ = merged(series)
    known = [(COLUMNS[name], once.columns[name].tolist()) for name in once.columns if name in COLUMNS]
    for row, t_ms in enumerate(once.t_ms.tolist()):
        cells = ((channel.name, _value(channel.kind, cells[row])) for channel, cells in known)
        values = {name: value for name, value in cells if value is not None}
        yield Sample(unit=unit, bid=IMPORTED_BID, sq=t_ms, t_ms=t_ms, tq=SYNCHRONISED, values=values)


def import_series(store: TelemetryStore, unit: str, series: Series) -> Appended:
    """Store a logger's rows in short transactions, so that ingest is never kept waiting.

    Raises
    ------
    ConfigurationError
        If rows are dated after now: once their time comes they would pass for live samples.
    """
    ahead = int(np.count_nonzero(series.t_ms > now_ms() + AHEAD_MS))
    if ahead:
        raise ConfigurationError(
            f"{ahead} rows lie after now, the last at {iso_of(int(series.t_ms[-1]))}: nothing was brought in;"
            " mend the times, or name the zone they were written in",
            setting="--timezone",
        )
    done = Appended(change_no=None, stored=0, duplicates=0, conflicts=0)
    rows = samples_of(unit, series)
    while batch := list(islice(rows, _ROWS_AT_ONCE)):
        more = store.append(batch, received_ms=now_ms())
        done = Appended(
            change_no=done.change_no if more.change_no is None else more.change_no,
            stored=done.stored + more.stored,
            duplicates=done.duplicates + more.duplicates,
            conflicts=done.conflicts + more.conflicts,
        )
    return done
