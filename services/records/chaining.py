"""Writes a link of the audit chain for every record, in the transaction of the record itself."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import BigInteger, Boolean, Connection, Integer, Text, event, insert, select
from sqlalchemy import Table as PlainTable
from sqlalchemy.orm import Mapper, Session, object_session

from services.records.auditchain import START, commitments, digest_of, link, new_salt
from services.records.chaintables import LinkRow, SaltRow
from services.records.jobtables import DepartureRow, JobLineRow
from services.records.noticetables import NoticeLineRow
from services.records.reachtables import ReachLineRow
from services.records.runtesttables import RunTestLineRow, RunTestRow
from services.records.tables import (
    BatchEventRow,
    BatchVerdictRow,
    CommandRow,
    DatedRow,
    OperatorEventRow,
    PinRow,
    StatementRow,
    Table,
    VerdictChangeRow,
)

CHAINED: tuple[type[Table], ...] = (
    DatedRow,
    StatementRow,
    BatchEventRow,
    PinRow,
    CommandRow,
    DepartureRow,
    OperatorEventRow,
    JobLineRow,
    RunTestRow,
    RunTestLineRow,
    VerdictChangeRow,
    BatchVerdictRow,
    NoticeLineRow,
    ReachLineRow,
)
"""What people say or change, and how verdicts changed; everything else is worked out from these."""

LINKS, SALTS = (Table.metadata.tables[row.__tablename__] for row in (LinkRow, SaltRow))
_HEAD = select(LINKS.c.no, LINKS.c.hash).order_by(LINKS.c.no.desc()).limit(1)
_WAITING = "bushlarder_waiting_for_links"


class NeverChangedError(RuntimeError):
    """Some code tried to change or remove a record that is only ever added to."""


def values_of(table: PlainTable, row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record as every database gives it back."""
    return {column.key: _plain(column.type, row[column.key]) for column in table.columns}


def _plain(kind: object, value: Any) -> Any:  # noqa: ANN401 - whatever a column holds
    if value is None:
        return None
    if isinstance(kind, Boolean):
        return bool(value)
    if isinstance(kind, BigInteger | Integer):
        return int(value)
    return str.__str__(value) if isinstance(kind, Text) else value


def head(session: Session | Connection) -> tuple[int, str]:
    """Return number and hash of the newest link."""
    found = session.execute(_HEAD).first()
    return (0, START) if found is None else (found[0], found[1])


def link_all(session: Session) -> None:
    """Write the links of everything that was added in a session; its transaction holds the write lock."""
    session.flush()
    fresh: Sequence[Table] = session.info.pop(_WAITING, ())
    if fresh:
        add_links(session.connection(), ((_table(row), _attributes(row)) for row in fresh))


def add_links(connection: Connection, records: Iterable[tuple[PlainTable, Mapping[str, Any]]]) -> int:
    """Write links for records that are there and have none; return how many."""
    no, before = head(connection)
    links, salts = [], []
    for table, row in records:
        values, salt = values_of(table, row), new_salt()
        number = values.pop("no")
        digest = digest_of(table.name, number, commitments(salt, values))
        no, before = no + 1, link(no + 1, before, digest)
        links.append({"no": no, "record": table.name, "row": number, "digest": digest, "hash": before})
        salts.append({"no": no, "salt": salt, "parts": None})
    if links:
        connection.execute(insert(LINKS), links)
        connection.execute(insert(SALTS), salts)
    return len(links)


def _table(row: Table) -> PlainTable:
    return Table.metadata.tables[row.__tablename__]


def _attributes(row: Table) -> dict[str, Any]:
    return {column.key: getattr(row, column.key) for column in _table(row).columns}


def _added(_mapper: Mapper[Any], _connection: Connection, row: Table) -> None:
    session = object_session(row)
    if session is not None:
        session.info.setdefault(_WAITING, []).append(row)


def _refused(_mapper: Mapper[Any], _connection: Connection, row: Table) -> None:
    session = object_session(row)
    if session is None or row in session.deleted or session.is_modified(row):
        raise NeverChangedError(f"a row of {row.__tablename__} is only ever added")


for _row in CHAINED:
    event.listen(_row, "after_insert", _added)
    event.listen(_row, "before_update", _refused)
    event.listen(_row, "before_delete", _refused)
