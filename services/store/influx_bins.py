"""What a chart shows, gathered by the server: bins of samples, and the hourly roll-up that outlives them."""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from services.store.bins import Gathered, Grid
from services.store.influx_points import FIELD_OF, MEASUREMENT, NS_IN_MS, select, tag_of
from services.telemetry import BOOLEAN_COLUMNS, NUMERIC_COLUMNS

ROLLED_UP = (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS)
"""Columns that can be gathered."""
_PARTS = ("min", "max", "sum", "count")


def hourly_of(bucket: str) -> str:
    """Return the name of the bucket (on 1.x the database) of the roll-up of another."""
    return f"{bucket}_hourly"


def named(text: str) -> str:
    """Return a name as InfluxQL takes it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _part_of(column: str, how: str) -> str:
    return f"{FIELD_OF[column]}_{how}"


def bins_of_samples(unit: str, over: Grid, columns: Sequence[str]) -> str:
    """Return the statement that gathers samples into the bins of a grid."""
    parts = ", ".join(f'{how}("{FIELD_OF[column]}")' for column in columns for how in _PARTS)
    where = select(parts, unit, start_ms=over.start_ms, end_ms=over.end_ms)
    return f"{where} GROUP BY time({over.width_ms}ms, {over.first_ms % over.width_ms}ms) fill(none)"


def hours_rolled_up(bucket: str, unit: str, over: Grid, columns: Sequence[str]) -> str:
    """Return the statement that reads the hourly roll-up of a span.

    Hours are put into bins here: having 1.6.7 do it costs three times as much processor time in all.
    """
    fields = ", ".join(f'"{_part_of(column, how)}"' for column in columns for how in _PARTS)
    where = select(fields, unit, start_ms=over.start_ms, end_ms=over.end_ms)
    return where.replace(f"FROM {MEASUREMENT}", f"FROM {named(hourly_of(bucket))}..{MEASUREMENT}", 1)


def hour_lines(unit: str, points: Iterable[Sequence[Any]], columns: Sequence[str]) -> list[str]:
    """Return hours gathered with `bins_of_samples` as lines for the roll-up."""
    names = [_part_of(column, how) for column in columns for how in _PARTS]
    lines = []
    for time_ns, *cells in points:
        known = [f"{name}={int(cell)}i" for name, cell in zip(names, cells, strict=True) if cell is not None]
        lines.append(f"{MEASUREMENT},unit={tag_of(unit)} {','.join(known)} {time_ns}")
    return lines


def gathered_points(
    points: Iterable[Sequence[Any]], over: Grid, columns: Sequence[str]
) -> dict[str, Gathered]:
    """Return what the bins of a grid hold, from points that each lie in one of them."""
    found = {column: Gathered.nothing(over.bins) for column in columns}
    table = np.array(list(points), dtype=object)
    if not table.size:
        return found
    place = (table[:, 0].astype(np.int64) // NS_IN_MS - over.first_ms) // over.width_ms
    inside = (place >= 0) & (place < over.bins)
    place, cells = place[inside], table[inside, 1:].astype(np.float64)
    for at, column in enumerate(columns):
        low, high, total, count = cells[:, at * len(_PARTS) : (at + 1) * len(_PARTS)].T
        scale = 1000.0 if column in NUMERIC_COLUMNS else 1.0
        into = found[column]
        np.fmin.at(into.low, place, low / scale)
        np.fmax.at(into.high, place, high / scale)
        np.add.at(into.total, place, np.rint(np.nan_to_num(total) * (1000.0 / scale)).astype(np.int64))
        np.add.at(into.count, place, np.nan_to_num(count).astype(np.int64))
    return found
