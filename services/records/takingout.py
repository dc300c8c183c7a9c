"""Takes parts out of chained records: other words in their place, and what stood for each part is kept."""

import json
import secrets
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Table as PlainTable
from sqlalchemy import bindparam, select, update
from sqlalchemy.orm import Session

from services.records.auditchain import commitment, leaves_of, salt_of, with_leaf
from services.records.chaining import LINKS, SALTS, values_of
from services.records.chaintables import TakenOutRow
from services.records.namesearch import Search
from services.records.tables import Table

TAKEN = Table.metadata.tables[TakenOutRow.__tablename__]
_AT_ONCE = 500
"""Records in one go: their numbers stand in one question (SQLite takes 32 766)."""


@dataclass(slots=True)
class TakenOut:
    """What was taken out so far."""

    leaves: list[dict[str, Any]] = field(default_factory=list)
    """For `audit_taken_out`, but for the event."""
    links: set[int] = field(default_factory=set)


@dataclass(slots=True)
class _Writes:
    """What some records come to, to be written together."""

    records: dict[tuple[str, ...], list[dict[str, Any]]] = field(default_factory=lambda: defaultdict(list))
    """By the columns that change."""
    salts: list[dict[str, Any]] = field(default_factory=list)
    unsalted: list[dict[str, Any]] = field(default_factory=list)


def take_out(session: Session, table: PlainTable, search: Search, taken: TakenOut) -> None:
    """Replace what is searched for in the records of one table."""
    changed = list(_changed(table, search.holding(session, table), search))
    for start in range(0, len(changed), _AT_ONCE):
        _take_out_some(session, table, changed[start : start + _AT_ONCE], taken)


_Leaves = dict[str, tuple[Any, Any]]


def _changed(
    table: PlainTable, rows: Iterable[dict[str, Any]], search: Search
) -> Iterator[tuple[int, dict[str, Any], _Leaves]]:
    """Yield the records in which something changes: number, values, and leaves before and after."""
    for row in rows:
        values = values_of(table, row)
        number = values.pop("no")
        leaves = {path: (leaf, _fresh(search, path, leaf)) for path, leaf in leaves_of(values).items()}
        if any(before != after for before, after in leaves.values()):
            yield number, values, leaves


def _fresh(search: Search, path: str, leaf: Any) -> Any:  # noqa: ANN401 - JSON
    return search.text_without(path, leaf) if isinstance(leaf, str) else search.without(path, leaf)


def _take_out_some(
    session: Session,
    table: PlainTable,
    changed: Sequence[tuple[int, dict[str, Any], _Leaves]],
    taken: TakenOut,
) -> None:
    numbers = [number for number, _, _ in changed]
    query = select(LINKS.c.row, LINKS.c.no).where(LINKS.c.record == table.name, LINKS.c.row.in_(numbers))
    links = {row: no for row, no in session.execute(query)}  # noqa: C416 - rows are no pairs to a checker
    salts, replaced = _salts(session, links.values())
    writes = _Writes()
    for number, values, leaves in changed:
        link = links[number]
        own = salts[link] if isinstance(salts[link], dict) else _all_salts(salts[link], leaves)
        _replace(taken, link, values, leaves, own, replaced.get(link, {}), writes)
        columns = sorted({path.partition("/")[0] for path, (old, new) in leaves.items() if old != new})
        fresh = {f"to_{column}": values[column] for column in columns}
        writes.records[tuple(columns)].append({"of": number, **fresh})
    _write(session, table, writes)


def _salts(session: Session, links: Iterable[int]) -> tuple[dict[int, Any], dict[int, dict[str, str]]]:
    """Return of each link its salt, or those of its leaves; and of leaves replaced before theirs."""
    numbers = list(links)
    salts: dict[int, Any] = {}
    for row in session.execute(select(SALTS).where(SALTS.c.no.in_(numbers))):
        salts[row.no] = row.salt if row.salt is not None else json.loads(row.parts)
    replaced: dict[int, dict[str, str]] = defaultdict(dict)
    query = select(TAKEN).where(TAKEN.c.link.in_(numbers), TAKEN.c.salt.is_not(None))
    for row in session.execute(query):
        replaced[row.link][row.path] = row.salt
    return salts, replaced


def _all_salts(salt: str, paths: Iterable[str]) -> dict[str, str]:
    return {path: salt_of(salt, path) for path in paths}


def _replace(  # noqa: PLR0917 - all of one record
    taken: TakenOut,
    link: int,
    values: dict[str, Any],
    leaves: Mapping[str, tuple[Any, Any]],
    own: dict[str, str],
    replaced: Mapping[str, str],
    writes: _Writes,
) -> None:
    """Put the new leaves into a record's values; note what stood for the old ones; their salts go."""
    for path, (before, after) in leaves.items():
        if before == after:
            continue
        with_leaf(values, path, after)
        fresh = secrets.token_hex(32)
        salt = replaced.get(path) or own.pop(path)
        if path in replaced:
            writes.unsalted.append({"of": link, "at": path})
        taken.leaves.append(
            {
                "link": link,
                "path": path,
                "before": commitment(salt, before),
                "after": commitment(fresh, after),
                "salt": fresh,
            }
        )
    writes.salts.append({"of": link, "left": json.dumps(own)})
    taken.links.add(link)


def _write(session: Session, table: PlainTable, writes: _Writes) -> None:
    connection = session.connection()
    for columns, rows in writes.records.items():
        fresh: dict[str, Any] = {column: bindparam(f"to_{column}") for column in columns}
        connection.execute(update(table).where(table.c.no == bindparam("of")).values(fresh), rows)
    parts = update(SALTS).where(SALTS.c.no == bindparam("of")).values(salt=None, parts=bindparam("left"))
    connection.execute(parts, writes.salts)
    if writes.unsalted:
        of = (TAKEN.c.link == bindparam("of"), TAKEN.c.path == bindparam("at"))
        connection.execute(update(TAKEN).where(*of).values(salt=None), writes.unsalted)
