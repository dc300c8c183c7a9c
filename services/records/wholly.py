"""Everything the records hold, table by table, as another program may have it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import BigInteger, Boolean, Float, Integer, select
from sqlalchemy import Table as PlainTable
from sqlalchemy.orm import Session

from services.records.chaining import head, values_of
from services.records.tables import Table

_NOT_HANDED_OUT = frozenset(
    {"codes", "counters", "notice_waits", "reach_links", "refusals", "said_keys", "sessions", "tokens"}
)
"""What opens the door, and numbers that only this database needs."""
_SECRET = frozenset({("accounts", "password"), ("accounts", "pin")})
_AT_ONCE = 1_000


@dataclass(frozen=True, slots=True)
class WholeTable:
    """One table: its columns with the kind of each (integer, boolean, number or text), and its rows."""

    name: str
    columns: dict[str, str]
    rows: Iterator[dict[str, Any]]
    """In the order of their keys; to be read once, before the next table's."""


@dataclass(frozen=True, slots=True)
class Whole:
    """All tables, and the newest link of the audit chain at that moment."""

    links: int
    head: str
    tables: Iterator[WholeTable]


def whole(session: Session) -> Whole:
    """Return everything as it is in a session's one state."""
    links, newest = head(session)
    names = sorted(Table.metadata.tables.keys() - _NOT_HANDED_OUT)
    return Whole(links, newest, (_table(session, Table.metadata.tables[name]) for name in names))


def _table(session: Session, table: PlainTable) -> WholeTable:
    columns = {
        column.key: _kind(column.type) for column in table.columns if (table.name, column.key) not in _SECRET
    }
    return WholeTable(table.name, columns, _rows(session, table, columns))


def _rows(session: Session, table: PlainTable, columns: dict[str, str]) -> Iterator[dict[str, Any]]:
    query = select(table).order_by(*table.primary_key.columns).execution_options(yield_per=_AT_ONCE)
    for row in session.execute(query).mappings():
        values = values_of(table, dict(row))
        yield {name: values[name] for name in columns}


def _kind(type_: object) -> str:
    if isinstance(type_, Boolean):
        return "boolean"
    if isinstance(type_, BigInteger | Integer):
        return "integer"
    return "number" if isinstance(type_, Float) else "text"
