"""How a sample becomes a row and back: milli-units, one place per column, unknown channels as JSON."""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import orjson

from services.telemetry import (
    BOOLEAN_COLUMNS,
    CHANNELS,
    COLUMNS,
    NUMERIC_COLUMNS,
    TEXT_COLUMNS,
    Sample,
    Series,
    Value,
)

VALUE_COLUMNS = (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS, *TEXT_COLUMNS)
"""Order of the measured columns in a row; `extra` follows them."""

_PLACE = {name: VALUE_COLUMNS.index(channel.column) for name, channel in CHANNELS.items()}
_NUMBERS = len(NUMERIC_COLUMNS)
_BOOLEANS = _NUMBERS + len(BOOLEAN_COLUMNS)
_BLANK: list[Any] = [None] * (len(VALUE_COLUMNS) + 1)

Row = list[Any]
"""Unit number, time, bid, sq, tq, time received, uptime, then the measured columns and `extra`."""

_HEAD = ("unit_no", "t_ms", "bid", "sq", "tq", "received_ms", "up_ms")
HEAD_WIDTH = len(_HEAD)
SELECT_VALUES = (
    f"SELECT t_ms, up_ms, {', '.join(VALUE_COLUMNS)}, extra"  # noqa: S608 - names of our own columns
    " FROM samples WHERE unit_no = ? AND bid = ? AND sq = ?"
)


@lru_cache(maxsize=1024)
def _plan_of(names: tuple[str, ...]) -> tuple[tuple[tuple[str, int], ...], bool, int]:
    """Return where the channels of a sample go, whether any is unknown, and the columns as bits.

    Units send the same channels again and again, so this is worked out once for each set.
    """
    places = tuple((name, _PLACE[name]) for name in names if name in _PLACE)
    unknown = len(places) < len(names)
    mask = sum(1 << place for _, place in places) | unknown << len(VALUE_COLUMNS)
    return places, unknown, mask


def measured_of(values: Mapping[str, Value]) -> tuple[list[Any], int]:
    """Return the measured columns of a row, `extra` last, and which of them are used, as bits.

    Numbers are in milli-units, rounded half to even as `milli_of` does.
    """
    places, unknown, mask = _plan_of(tuple(values))
    measured = _BLANK.copy()
    for name, place in places:
        value = values[name]
        if place < _NUMBERS:
            measured[place] = round(value * 1000.0)  # type: ignore[operator] # milli_of, inlined for speed
        elif place < _BOOLEANS:
            measured[place] = 1 if value else 0
        else:
            measured[place] = str(value)
    if unknown:
        extra = {name: value for name, value in values.items() if name not in _PLACE}
        measured[-1] = orjson.dumps(extra, option=orjson.OPT_SORT_KEYS).decode()
    return measured, mask


@lru_cache(maxsize=1024)
def insert_of(mask: int) -> tuple[str, tuple[int, ...]]:
    """Return the statement that inserts rows using some of the measured columns, and their places in a row.

    Binding only what units send makes an insert a third cheaper than binding all columns (measured).
    """
    names = (*VALUE_COLUMNS, "extra")
    used = [place for place in range(len(names)) if mask >> place & 1]
    columns = ", ".join((*_HEAD, *(names[place] for place in used)))
    marks = ", ".join("?" * (HEAD_WIDTH + len(used)))
    statement = f"INSERT INTO samples ({columns}) VALUES ({marks})"  # noqa: S608 - names of our own columns
    return statement, (*range(HEAD_WIDTH), *(HEAD_WIDTH + place for place in used))


def values_of(measured: Sequence[object]) -> dict[str, Value]:
    """Return what was measured, by column (unknown channels by name), from a row's measured columns."""
    found: dict[str, Value] = {}
    for column, stored in zip(VALUE_COLUMNS, measured, strict=False):
        if stored is None:
            continue
        kind = COLUMNS[column].kind
        if kind == "number":
            found[column] = int(str(stored)) / 1000.0
        else:
            found[column] = bool(stored) if kind == "boolean" else str(stored)
    if measured[-1] is not None:
        found.update(orjson.loads(str(measured[-1])))
    return found


def row_of(unit_no: int, sample: Sample, received_ms: int, measured: Sequence[object]) -> Row:
    """Return the whole row of a sample."""
    up_ms = None if sample.tq > 0 or sample.up_s is None else round(sample.up_s * 1000.0)
    return [unit_no, sample.t_ms, sample.bid, sample.sq, sample.tq, received_ms, up_ms, *measured]


def columns_in(mask: int, columns: Sequence[str] | None) -> list[str]:
    """Return which of the wanted columns (None: all) are among those given as bits, in order of a row."""
    return [
        column
        for place, column in enumerate(VALUE_COLUMNS)
        if mask >> place & 1 and (columns is None or column in columns)
    ]


def series_of(rows: Sequence[tuple[Any, ...]], wanted: Sequence[str]) -> Series:
    """Turn rows of time and columns into a series."""
    if not rows:
        return Series.empty()
    times, *stored = zip(*rows, strict=True)
    return Series(np.array(times, dtype=np.int64), columns_of(stored, wanted))


def columns_of(stored: Sequence[Sequence[Any]], wanted: Sequence[str]) -> dict[str, npt.NDArray[Any]]:
    """Return named columns as a series has them; numbers come back from milli-units."""
    columns: dict[str, npt.NDArray[Any]] = {}
    for name, cells in zip(wanted, stored, strict=True):
        if name in TEXT_COLUMNS:
            columns[name] = np.array(cells, dtype=object)
        else:
            values = np.array(cells, dtype=np.float64)  # None becomes NaN
            columns[name] = values / 1000.0 if name in NUMERIC_COLUMNS else values
    return columns
