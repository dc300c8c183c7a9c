"""What a chart shows, gathered by the server: bins of samples, and the hourly roll-up that outlives them."""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from services.store.bins import Gathered, Grid
from services.store.influx_points import FIELD_OF, MEASUREMENT, NS_IN_MS, select
from services.telemetry import BOOLEAN_COLUMNS, NUMERIC_COLUMNS, FloatArray

ROLLED_UP = (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS)
"""Columns that can be gathered."""
_PARTS = ("min", "max", "mean", "count")


def hourly_of(bucket: str) -> str:
    """Return the name of the bucket (on 1.x the database) of the roll-up of another."""
    return f"{bucket}_hourly"


def named(text: str) -> str:
    """Return a name as InfluxQL takes it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def roll_up(columns: Sequence[str]) -> str:
    """Return what to select for the lowest, highest and mean reading and their number, per column."""
    return ", ".join(
        f'{how}("{FIELD_OF[column]}") AS "{FIELD_OF[column]}_{how}"' for column in columns for how in _PARTS
    )


def bins_of_samples(unit: str, over: Grid, columns: Sequence[str]) -> str:
    """Return the statement that gathers samples into the bins of a grid."""
    where = select(roll_up(columns), unit, start_ms=over.start_ms, end_ms=over.end_ms)
    return f"{where} GROUP BY time({over.width_ms}ms, {over.first_ms % over.width_ms}ms) fill(none)"


def hours(bucket: str, unit: str, start_ms: int, end_ms: int, columns: Sequence[str]) -> str:
    """Return the statement that reads the hourly roll-up."""
    fields = ", ".join(f'"{FIELD_OF[column]}_{how}"' for column in columns for how in _PARTS)
    where = select(fields, unit, start_ms=start_ms, end_ms=end_ms)
    return where.replace(f"FROM {MEASUREMENT}", f"FROM {named(hourly_of(bucket))}..{MEASUREMENT}", 1)


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
        low, high, mean, count = cells[:, at * len(_PARTS) : (at + 1) * len(_PARTS)].T
        _fold(found[column], place, low, high, mean, np.nan_to_num(count), column in NUMERIC_COLUMNS)
    return found


def _fold(  # noqa: PLR0917 - one row of the table
    into: Gathered,
    place: Any,  # noqa: ANN401
    low: FloatArray,
    high: FloatArray,
    mean: FloatArray,
    count: FloatArray,
    in_thousandths: bool,  # noqa: FBT001
) -> None:
    """Add rows of (bin, lowest, highest, mean, number) to bins."""
    total = np.rint(np.nan_to_num(mean) * count * (1.0 if in_thousandths else 1000.0)).astype(np.int64)
    scale = 1000.0 if in_thousandths else 1.0
    np.fmin.at(into.low, place, low / scale)
    np.fmax.at(into.high, place, high / scale)
    np.add.at(into.total, place, total)
    np.add.at(into.count, place, count.astype(np.int64))
