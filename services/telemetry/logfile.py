"""Any logger's file as a series: separated text with a time column and any of our columns."""

import csv
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from services.errors import ConfigurationError
from services.telemetry._channels import COLUMNS, Channel
from services.telemetry._rules import HIGHEST_NUMBER, LONGEST_TEXT
from services.telemetry._samples import Series, milli_of
from services.telemetry.senml import HIGHEST_TIME_S
from services.timebase import ms_of_iso

TIME_COLUMN = "time"
_SEPARATORS = "\t;,"
_SPACE = re.compile(r"\s")
_ZULU = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")
_QUOTED = re.compile(r'"[^"]*"')
_EXCEL_FIRST_LINE = re.compile(r"sep=.")
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,3})?")
_TRUE, _FALSE = frozenset({"1", "true", "on", "yes"}), frozenset({"0", "false", "off", "no"})
_NOT_MEASURED = frozenset({"", "nan"})


class LogUnreadable(ConfigurationError):  # noqa: N818 - reads as a state, like its family
    """Nothing in the file can be used; names the line and the column that stand in the way."""


class Cell(NamedTuple):
    """A cell that could not be taken."""

    line: int
    """1-based, the header is line 1 when nothing stands before it."""
    column: str
    """As the file names it."""
    reason: str


@dataclass(frozen=True, slots=True)
class ParsedLog:
    """What came out of a logger's file."""

    series: Series
    """In order of time; rows of equal time all stay, in the order of the file."""
    cells: tuple[Cell, ...]
    """What could not be taken, in the order of the file; a bad time loses its row."""
    unknown_columns: tuple[str, ...]
    """Columns that were ignored."""
    rows: int
    """Rows of the file below its header."""
    rows_lost: int = 0
    """Those without a usable time or with more cells than the header names."""


class _Header(NamedTuple):
    separator: str
    names: list[str]
    time_at: int
    at: dict[str, int]
    """Place of each of our columns."""


class _Rows(NamedTuple):
    lines: list[int]
    """Line of each row."""
    cells: list[list[str]]
    """As many for each row as the header names."""
    bad: list[Cell]


def parse_log(
    text: str,
    *,
    columns: Mapping[str, str] | None = None,
    time_column: str | None = None,
    zone: tzinfo | None = None,
) -> ParsedLog:
    """Return the rows of a logger's file in order of time, and every cell that could not be taken.

    Separated by comma, semicolon or tab; decimal point or comma; numbers are kept in milli-units.

    Parameters
    ----------
    text : str
        The whole file; its first line that is not blank is the header.
    columns : mapping
        Our column to the name it has in this file, where that differs.
    time_column : str or None
        Name of the time column where it is not ``time``.
    zone : tzinfo or None
        Of times without an offset; without it such a time loses its row.

    Raises
    ------
    LogUnreadable
        If no row has both a time and a value, or the header does not say what is asked of it.
    """
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    first = next((i for i, line in enumerate(lines) if _starts(line)), None)
    if first is None:
        raise LogUnreadable("the file is empty", line=1, setting=time_column or TIME_COLUMN)
    header = _read_header(lines[first], first + 1, columns or {}, time_column or TIME_COLUMN)
    rows = _read_rows(lines, first + 1, header)
    total = len(rows.lines) + len(rows.bad)
    t_ms, kept = _read_times(rows, header, zone)
    values = _read_columns(rows, kept, header)
    cells = tuple(sorted(rows.bad, key=lambda cell: cell.line))
    if not any(_has_any(column) for column in values.values()):
        raise _nothing_usable(cells, header, first + 1)
    order = np.argsort(t_ms, kind="stable")
    series = Series(t_ms[order], {name: column[order] for name, column in values.items()})
    known = {header.time_at, *header.at.values()}
    unknown = tuple(name or f"column {i + 1}" for i, name in enumerate(header.names) if i not in known)
    return ParsedLog(series, cells, unknown, total, total - len(t_ms))


def _starts(line: str) -> bool:
    return bool(line.strip()) and _EXCEL_FIRST_LINE.fullmatch(line.strip()) is None


def _split(line: str, separator: str) -> list[str] | None:
    """Return the cells of a line, None when its quotes do not close."""
    if '"' not in line:
        cells = line.split(separator)
        return [cell.strip() for cell in cells] if _SPACE.search(line) else cells
    try:
        cells = next(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
    except csv.Error:
        return None
    return [cell.strip() for cell in cells]


def _read_header(line: str, number: int, columns: Mapping[str, str], time_column: str) -> _Header:
    unquoted = _QUOTED.sub("", line)
    separator = next((mark for mark in _SEPARATORS if mark in unquoted), ",")
    names = _split(line, separator)
    if names is None:
        raise LogUnreadable("quotes in the header do not close", line=number)
    while names and not names[-1]:
        names.pop()
    wanted = {column: column for column in COLUMNS}
    for column, name in columns.items():
        if column not in COLUMNS:
            raise LogUnreadable(f"there is no such column; known are {', '.join(COLUMNS)}", setting=column)
        wanted[column] = name
    time_at = _place(names, time_column, number)
    if time_at is None:
        raise LogUnreadable("the header has no such column", line=number, setting=time_column)
    at: dict[str, int] = {}
    for column, name in wanted.items():
        place = _place(names, name, number)
        if place is not None and place != time_at:
            at[column] = place
        elif column in columns:
            raise LogUnreadable("the header has no such column", line=number, setting=name)
    if not at:
        raise LogUnreadable(
            f"the header names none of the columns {', '.join(COLUMNS)}", line=number, setting=time_column
        )
    return _Header(separator, names, time_at, at)


def _place(names: Sequence[str], name: str, number: int) -> int | None:
    """Return where a name stands in the header, whatever its case; twice is a guess not taken."""
    exact = [i for i, given in enumerate(names) if given == name]
    found = exact or [i for i, given in enumerate(names) if given.casefold() == name.casefold()]
    if len(found) > 1:
        raise LogUnreadable("the header names it twice", line=number, setting=name)
    return found[0] if found else None


def _read_rows(lines: Sequence[str], start: int, header: _Header) -> _Rows:
    width = len(header.names)
    time_name = header.names[header.time_at]
    rows = _Rows([], [], [])
    for number, line in enumerate(lines[start:], start + 1):
        cells = _split(line, header.separator)
        if cells is None:
            rows.bad.append(Cell(number, time_name, "quotes in this row do not close"))
            continue
        if len(cells) > width and any(cells[width:]):
            # Cells may have moved, as when a decimal comma meets a comma between cells.
            reason = f"the row has {len(cells)} cells, the header names {width}"
            rows.bad.append(Cell(number, time_name, reason))
            continue
        if not cells[0] and not any(cells):
            continue
        if len(cells) < width:
            cells += [""] * (width - len(cells))
        rows.lines.append(number)
        rows.cells.append(cells)
    return rows


def _read_times(rows: _Rows, header: _Header, zone: tzinfo | None) -> tuple[npt.NDArray[np.int64], list[int]]:
    """Return the instants of the rows that have one, and which rows they are."""
    at_once = _zulu_times([cells[header.time_at] for cells in rows.cells])
    if at_once is not None:
        return at_once, list(range(len(at_once)))
    name = header.names[header.time_at]
    t_ms: list[int] = []
    kept: list[int] = []
    for i, cells in enumerate(rows.cells):
        try:
            t_ms.append(_instant(cells[header.time_at], zone))
        except (ValueError, OverflowError) as error:
            rows.bad.append(Cell(rows.lines[i], name, str(error)[:120]))
        else:
            kept.append(i)
    return np.array(t_ms, dtype=np.int64), kept


def _zulu_times(cells: Sequence[str]) -> npt.NDArray[np.int64] | None:
    """Return all times at once when every one is UTC to the second, as most loggers write."""
    if not all(map(_ZULU.fullmatch, cells)):
        return None
    try:
        t_ms = np.array([cell[:-1] for cell in cells], dtype="datetime64[ms]").astype(np.int64)
    except ValueError:
        return None
    return t_ms if bool(np.all(t_ms >= 0)) else None


def _instant(cell: str, zone: tzinfo | None) -> int:
    if _NUMBER.fullmatch(cell):
        t_s = float(cell.replace(",", "."))
        if not 0 <= t_s < HIGHEST_TIME_S:
            raise ValueError(f"{cell[:40]} is no time in seconds since 1970")
        return milli_of(t_s)
    if not cell:
        raise ValueError("no time")
    try:
        t_ms = ms_of_iso(cell, zone=zone)
    except ValueError as error:
        raise ValueError(_time_problem(cell)) from error
    if t_ms < 0:
        raise ValueError(f"{cell[:40]} lies before 1970")
    return t_ms


def _time_problem(cell: str) -> str:
    try:
        ms_of_iso(cell, zone=UTC)
    except ValueError:
        return f"{cell[:40]!r} is neither ISO 8601 nor seconds since 1970"
    return f"{cell[:40]!r} names no offset from UTC"


def _read_columns(rows: _Rows, kept: Sequence[int], header: _Header) -> dict[str, npt.NDArray[Any]]:
    found: dict[str, npt.NDArray[Any]] = {}
    for column, place in header.at.items():
        cells = [rows.cells[i][place] for i in kept]
        channel = COLUMNS[column]
        values, reasons = _values(cells, channel)
        if reasons:
            name = header.names[place]
            rows.bad.extend(
                Cell(rows.lines[kept[k]], name, reasons[cell])
                for k, cell in enumerate(cells)
                if cell in reasons
            )
        if channel.kind == "text":
            found[column] = np.array([values[cell] for cell in cells], dtype=object)
        else:
            found[column] = np.array([values[cell] for cell in cells], dtype=np.float64)
    return found


def _values(cells: Sequence[str], channel: Channel) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the value, or the fault, of each distinct cell: loggers repeat themselves."""
    read, nothing = _READERS[channel.kind]
    values: dict[str, Any] = {}
    reasons: dict[str, str] = {}
    for cell in set(cells):
        values[cell] = nothing
        if cell.casefold() not in _NOT_MEASURED:
            try:
                values[cell] = read(cell)
            except ValueError as error:
                reasons[cell] = str(error)
    return values, reasons


def _number(cell: str) -> float:
    if _NUMBER.fullmatch(cell) is None:
        raise ValueError(f"{cell[:40]!r} is not a number")
    value = float(cell.replace(",", "."))
    if not -HIGHEST_NUMBER < value < HIGHEST_NUMBER:
        raise ValueError(f"{cell[:40]} is too large to keep")
    return milli_of(value) / 1000


def _boolean(cell: str) -> float:
    word = cell.casefold()
    if word in _TRUE:
        return 1.0
    if word in _FALSE:
        return 0.0
    if _NUMBER.fullmatch(cell) and float(cell.replace(",", ".")) in {0.0, 1.0}:
        return float(cell.replace(",", "."))
    raise ValueError(f"{cell[:40]!r} is none of 1 0 true false on off yes no")


def _text(cell: str) -> str:
    if len(cell) > LONGEST_TEXT:
        raise ValueError(f"a text of more than {LONGEST_TEXT} characters")
    return cell


_READERS: Mapping[str, tuple[Callable[[str], float | str], float | None]] = {
    "number": (_number, math.nan),
    "boolean": (_boolean, math.nan),
    "text": (_text, None),
}


def _has_any(column: npt.NDArray[Any]) -> bool:
    if column.dtype == object:
        return any(value is not None for value in column)
    return bool(np.any(~np.isnan(column)))


def _nothing_usable(cells: Sequence[Cell], header: _Header, number: int) -> LogUnreadable:
    if cells:
        first = cells[0]
        return LogUnreadable(f"no usable row: {first.reason}", line=first.line, setting=first.column)
    names = ", ".join(header.names[place] for place in header.at.values())
    return LogUnreadable("no row has a time and a value", line=number, setting=names)
