"""How a row becomes a point of an InfluxDB and back: whole numbers stay whole, every field has one type."""

import zlib
from collections.abc import Iterable, Sequence
from typing import Any

from services.store.rows import HEAD_WIDTH, VALUE_COLUMNS, Row
from services.telemetry import NUMERIC_COLUMNS, TEXT_COLUMNS

MEASUREMENT = "samples"
"""Name of the measurement; its one tag is the unit."""

NS_IN_MS = 1_000_000
LOWEST_NS, HIGHEST_NS = -(2**63) + 2, 2**63 - 2
"""What the server takes for a time."""
_WHOLE = range(-(2**63), 2**63)


def _field_of(column: str) -> str:
    """Return the field of a column: numbers are in thousandths, so ``cabinet_c`` becomes ``cabinet_mc``."""
    if column not in NUMERIC_COLUMNS:
        return column
    name, _, unit = column.rpartition("_")
    return f"{name}_m{unit}"


MEASURED_FIELDS = (*(_field_of(column) for column in VALUE_COLUMNS), "extra")
HEAD_FIELDS = ("bid", "sq", "tq", "received_ms", "up_ms")
FIELD_OF = dict(zip(VALUE_COLUMNS, MEASURED_FIELDS, strict=False))
_TEXTS = frozenset((*TEXT_COLUMNS, "extra"))


def ns_of(t_ms: int, bid: int, sq: int) -> int:
    """Return the time of a point: two samples of one millisecond differ in the digits below it.

    The last six digits are the CRC-32 of the ASCII text ``bid,sq``, modulo a million (design 3.1).
    """
    return t_ms * NS_IN_MS + zlib.crc32(b"%d,%d" % (bid, sq)) % NS_IN_MS


def tag_of(unit: str) -> str:
    """Return a unit as the value of a tag."""
    return unit.replace("\\", "\\\\").replace(",", "\\,").replace(" ", "\\ ").replace("=", "\\=")


def line_of(unit: str, row: Row) -> str:
    """Return a row as a line of the line protocol.

    Raises
    ------
    OverflowError
        If a number does not fit into 64 bits.
    """
    fields = [f"bid={row[2]}i,sq={row[3]}i,tq={row[4]}i,received_ms={row[5]}i"]
    if row[6] is not None:
        fields.append(f"up_ms={row[6]}i")
    for name, value in zip(MEASURED_FIELDS, row[HEAD_WIDTH:], strict=True):
        if value is None:
            continue
        if name in _TEXTS:
            escaped = value.replace("\\", "\\\\").replace('"', '\\"')
            fields.append(f'{name}="{escaped}"')
        elif value in _WHOLE:
            fields.append(f"{name}={value}i")
        else:
            raise OverflowError(f"{name} does not fit into 64 bits")
    return f"{MEASUREMENT},unit={tag_of(unit)} {','.join(fields)} {ns_of(row[1], row[2], row[3])}"


ALL_FIELDS = ", ".join(f'"{name}"' for name in (*HEAD_FIELDS, *MEASURED_FIELDS))
"""What to select for `row_at` to make a whole row of it."""


def row_at(unit_no: int, point: Sequence[Any]) -> Row:
    """Return a point that was read with `ALL_FIELDS` as a row."""
    return [unit_no, point[0] // NS_IN_MS, *point[1:]]


def select(fields: str, unit: str, *, start_ms: int | None = None, end_ms: int | None = None) -> str:
    """Return the statement that reads fields of a unit, from a time on and before a time."""
    named = unit.replace("\\", "\\\\").replace("'", "\\'")
    conditions = [f"unit = '{named}'"]
    if start_ms is not None:
        conditions.append(f"time >= {_limited_ns(start_ms)}")
    if end_ms is not None:
        conditions.append(f"time < {_limited_ns(end_ms)}")
    return f"SELECT {fields} FROM {MEASUREMENT} WHERE {' AND '.join(conditions)}"  # noqa: S608 - escaped above


def _limited_ns(t_ms: int) -> int:
    return max(LOWEST_NS, min(HIGHEST_NS, t_ms * NS_IN_MS))


def clusters(times_ms: Iterable[int], *, apart_ms: int) -> list[tuple[int, int]]:
    """Return the stretches, ends inclusive, that hold the times, none apart by more than given inside."""
    found: list[tuple[int, int]] = []
    for t_ms in sorted(times_ms):
        if found and t_ms - found[-1][1] <= apart_ms:
            found[-1] = (found[-1][0], t_ms)
        else:
            found.append((t_ms, t_ms))
    return found
