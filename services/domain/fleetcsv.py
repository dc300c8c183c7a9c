"""Rows of a spreadsheet that add and change sites, banks and units; all that is wrong is told at once."""

import copy
import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from services.domain._lines import Path
from services.domain.complaints import Problem
from services.domain.fleetcells import (
    AWAY,
    KINDS,
    Cell,
    Kind,
    Row,
    cells_of,
    columns,
    put,
    value_of,
    without_empty,
)

MOST_BYTES = 5_000_000
MOST_ROWS = 5_000
"""Ten times the largest fleet that was thought of (judgement)."""

_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_PARTED_BY = (",", ";", "\t")
_GUARDED = ("=", "+", "-", "@", "\t", "\r", "\N{MINUS SIGN}", *"\uff1d\uff0b\uff0d\uff20")
"""What an export puts an apostrophe in front of; see `dashboards.reports.table`."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a file of rows."""

    line: int | None
    """None where it is wrong with what is there already."""
    column: str
    message: str


@dataclass(slots=True)
class Imported:
    """What a file makes of the tables of a fleet."""

    tables: dict[str, list[Row]]
    lines: dict[Path, int] = field(default_factory=dict)
    """Where in the file a table stands."""
    where: dict[tuple[Kind, str], int] = field(default_factory=dict)
    """Where in the file something is described."""
    rows: int = 0
    faults: list[Fault] = field(default_factory=list)

    def fault(self, line: int | None, column: str, message: str) -> None:
        """Keep one thing that is wrong."""
        self.faults.append(Fault(line, column, message))


def imported(data: bytes, tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> Imported:
    """Return what a file makes of a fleet: rows add or change, nothing is taken off the list."""
    made = Imported({key: [copy.deepcopy(dict(each)) for each in rows] for key, rows in tables.items()})
    text = _text(data, made)
    if text is None:
        return made
    parted_by, records = _records(text, made)
    heads = next(records, None)
    if heads is None:
        made.fault(1, "", "there is nothing in this file")
        return made
    names = [head.strip().lower() for head in heads[1]]
    if not _fit(heads[0], names, made):
        return made
    taker = _Taker(made, names, comma=parted_by != ",")
    for line, cells in records:
        made.rows += 1
        if made.rows > MOST_ROWS:
            made.fault(line, "", f"more than {MOST_ROWS} rows: split the file")
            break
        taker.take(line, cells)
    if made.rows == 0 and not made.faults:
        made.fault(heads[0], "", "there are no rows under the names of the columns")
    return made


def fault_of(problem: Problem) -> Fault:
    """Return a complaint about a table as one about a cell."""
    return Fault(problem.line, ".".join(k for k in problem.keys[2:] if isinstance(k, str)), problem.message)


def _text(data: bytes, made: Imported) -> str | None:
    if len(data) > MOST_BYTES:
        made.fault(None, "", f"larger than {MOST_BYTES // 1_000_000} MB: split the file")
    elif data.startswith(_UTF16) or b"\0" in data:
        made.fault(1, "", "not a text in UTF-8: save it as “CSV UTF-8”")
    else:
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            made.fault(line, "", "not a text in UTF-8: save it as “CSV UTF-8”")
    return None


def _records(text: str, made: Imported) -> tuple[str, Iterator[tuple[int, list[str]]]]:
    """Return what parts the columns, and the rows that say something, each with its first line."""
    lines = text.splitlines()
    first = next((line for line in lines if _says(line)), "")
    parted_by = max(_PARTED_BY, key=first.count)
    return parted_by, _read(text, parted_by, made)


def _says(line: str) -> bool:
    tidy = line.strip().strip("\"',;\t")
    return bool(tidy) and not tidy.startswith("#") and not tidy.lower().startswith("sep=")


def _read(text: str, parted_by: str, made: Imported) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=parted_by, strict=True)
    line = 1
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            made.fault(line, "", f"not CSV from here on: {error}")
            return
        if cells is None:
            return
        if any(_says(cell) for cell in cells[:1]) or (
            cells and not cells[0].strip() and any(map(str.strip, cells))
        ):
            yield line, cells
        line = reader.line_num + 1


def _fit(line: int, names: list[str], made: Imported) -> bool:
    """Return whether the names of the columns can be worked with."""
    known = set(columns())
    for name in dict.fromkeys(names):
        if name and name not in known:
            made.fault(line, name, "no column is called so; the template has them all")
        elif name and names.count(name) > 1:
            made.fault(line, name, "stands twice among the columns")
    for needed in ("record", "id"):
        if needed not in names:
            made.fault(line, needed, "this column is needed")
    return not made.faults


class _Taker:
    """Puts rows into the tables."""

    def __init__(self, made: Imported, names: Sequence[str], *, comma: bool) -> None:
        self._made = made
        self._names = names
        self._comma = comma
        self._cells: dict[Kind, dict[str, Cell]] = {k: {c.name: c for c in cells_of(k)} for k in KINDS}
        self._at = {
            (kind, table.get("id")): index
            for kind in KINDS
            for index, table in enumerate(made.tables.setdefault(kind, []))
        }
        self._seen: dict[tuple[str, str], int] = {}

    def take(self, line: int, cells: Sequence[str]) -> None:
        """Put one row in its place."""
        made, tidy = self._made, [_unguarded(cell.strip()) for cell in cells]
        if any(tidy[len(self._names) :]):
            made.fault(line, "", f"has more cells than there are columns ({len(self._names)})")
        row = dict(zip(self._names, tidy, strict=False))
        kind = next((kind for kind in KINDS if kind == row.get("record", "").lower()), None)
        key = row.get("id", "")
        if kind is None:
            made.fault(line, "record", f"must be one of {', '.join(KINDS)}")
            return
        if (kind, key) in self._seen:
            made.fault(line, "id", f"{kind} {key!r} stands already in line {self._seen[kind, key]}")
            return
        self._seen[kind, key] = line
        self._describe(line, kind, key, row)

    def _describe(self, line: int, kind: Kind, key: str, row: Mapping[str, str]) -> None:
        made, tables = self._made, self._made.tables[kind]
        index = self._at.setdefault((kind, key), len(tables))
        if index == len(tables):
            tables.append({})
        made.lines[kind, index] = made.where[kind, key] = line
        table = tables[index]
        for name, typed in row.items():
            if not typed or not name or name == "record":
                continue
            cell = self._cells[kind].get(name)
            if cell is None:
                if typed != AWAY:
                    made.fault(line, name, f"does not go with a {kind}")
                continue
            put(table, cell.key, None if typed == AWAY else value_of(cell, typed, comma=self._comma))
        tables[index] = without_empty(table)


def _unguarded(cell: str) -> str:
    """Return a cell without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_GUARDED) else cell
