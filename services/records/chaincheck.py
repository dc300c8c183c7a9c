"""Looks whether every record is as it was said, and says which is not."""

import hashlib
import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal

from sqlalchemy import Table as PlainTable
from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from services.records.auditchain import START, canonical, commitment, digest_of, leaves_of, link, salt_of
from services.records.chaining import CHAINED, LINKS, SALTS, values_of
from services.records.chaintables import TakenOutRow
from services.records.tables import OperatorEventRow, Table

FORGOTTEN = "person_forgotten"
EXPIRED = "records_expired"
VERIFIED = "records_verified"
_AT_ONCE = 1_000
_TAKEN = Table.metadata.tables[TakenOutRow.__tablename__]

FaultKind = Literal["changed", "removed", "added", "broken", "missing_link", "other_past", "deletion"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One place where the records are not what was written."""

    kind: FaultKind
    link: int | None
    record: str
    row: int | None


@dataclass(slots=True)
class Checked:
    """What a look over the whole chain found."""

    links: int = 0
    head: str = START
    expired: int = 0
    """Records that went with their time; their links stay."""
    taken_out: int = 0
    """Parts of records that were replaced when somebody's data were deleted."""
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Taken:
    before: str
    after: str
    salt: str | None


def check(
    session: Session, heads: Collection[str] = (), *, told: Callable[[int], None] = lambda _: None
) -> Checked:
    """Look at every link and every record; `heads` are hashes noted earlier that must still be there.

    `told` hears now and then how many links were looked at.
    """
    found = Checked()
    gone = _expired_links(session)
    sought = set(heads)
    for page in _pages(session, found):
        _look_at(session, page, gone, found)
        sought -= {each.hash for each in page}
        told(found.links)
    found.faults += [_unlinked(table, no) for table in _tables() for no in _without_link(session, table)]
    found.faults += list(_deletions(session))
    found.faults += [Fault("other_past", None, head, None) for head in sorted(sought)]
    return found


def _tables() -> list[PlainTable]:
    return [Table.metadata.tables[row.__tablename__] for row in CHAINED]


def _unlinked(table: PlainTable, no: int) -> Fault:
    return Fault("added", None, table.name, no)


def _without_link(session: Session, table: PlainTable) -> Sequence[int]:
    linked = exists().where(LINKS.c.record == table.name, LINKS.c.row == table.c.no)
    return session.scalars(select(table.c.no).where(~linked).order_by(table.c.no)).all()


def _pages(session: Session, found: Checked) -> Iterator[Sequence[Any]]:
    """Yield the links, some at once, looking on the way whether each holds the one before."""
    before = START
    while True:
        query = select(LINKS).where(LINKS.c.no > found.links).order_by(LINKS.c.no).limit(_AT_ONCE)
        page = session.execute(query).all()
        if not page:
            return
        for each in page:
            if each.no != found.links + 1:
                found.faults.append(Fault("missing_link", found.links + 1, each.record, None))
            elif each.hash != link(each.no, before, each.digest):
                found.faults.append(Fault("broken", each.no, each.record, each.row))
            found.links, before = each.no, each.hash
        found.head = before
        yield page


def _look_at(session: Session, page: Sequence[Any], gone: Collection[int], found: Checked) -> None:
    """Compare the records of some links with their digests."""
    numbers = [each.no for each in page]
    salts = {row.no: row for row in session.execute(select(SALTS).where(SALTS.c.no.in_(numbers)))}
    taken: dict[int, dict[str, list[_Taken]]] = {}
    query = select(_TAKEN).where(_TAKEN.c.link.in_(numbers)).order_by(_TAKEN.c.no)
    for row in session.execute(query):
        of_link = taken.setdefault(row.link, {})
        of_link.setdefault(row.path, []).append(_Taken(row.before, row.after, row.salt))
    for table in _tables():
        links = {each.row: each for each in page if each.record == table.name}
        there = session.execute(select(table).where(table.c.no.in_(links))).mappings()
        rows = {row["no"]: values_of(table, dict(row)) for row in there}
        for number, each in links.items():
            if each.no in gone:
                found.expired += 1
                found.faults += [Fault("added", each.no, each.record, each.row)] * (number in rows)
            elif number not in rows:
                found.faults.append(Fault("removed", each.no, each.record, each.row))
            else:
                found.taken_out += len(taken.get(each.no, ()))
                if not _holds(each, rows[number], salts.get(each.no), taken.get(each.no, {})):
                    found.faults.append(Fault("changed", each.no, each.record, each.row))
    strange = {each.record for each in page} - {table.name for table in _tables()}
    found.faults += [
        Fault("removed", each.no, each.record, each.row) for each in page if each.record in strange
    ]


def _holds(
    each: Any,  # noqa: ANN401 - a row of a table
    values: dict[str, Any],
    salts: Any,  # noqa: ANN401
    taken: Mapping[str, Sequence[_Taken]],
) -> bool:
    """Return whether a record is what its link was made of."""
    values.pop("no")
    stand_for = None if salts is None else _stand_for(values, salts.salt, salts.parts, taken)
    return stand_for is not None and digest_of(each.record, each.row, stand_for) == each.digest


def _stand_for(
    values: Mapping[str, Any], salt: str | None, parts: str | None, taken: Mapping[str, Sequence[_Taken]]
) -> dict[str, str] | None:
    """Return what stands for each leaf; None where a leaf cannot be what it was."""
    leaves = leaves_of(values)
    known: dict[str, str] = {} if parts is None else json.loads(parts)
    found: dict[str, str] = {}
    for path, leaf in leaves.items():
        if path in taken:
            steps = taken[path]
            last = steps[-1]
            joined = all(one.after == two.before for one, two in pairwise(steps))
            if not joined or last.salt is None or commitment(last.salt, leaf) != last.after:
                return None
            found[path] = steps[0].before
        elif salt is None and path not in known:
            return None
        else:
            found[path] = commitment(known[path] if salt is None else salt_of(salt, path), leaf)
    return found if taken.keys() <= leaves.keys() else None


def _events(session: Session, kind: str) -> Iterator[tuple[int, dict[str, Any]]]:
    query = select(OperatorEventRow.no, OperatorEventRow.body).where(OperatorEventRow.kind == kind)
    for no, body in session.execute(query.order_by(OperatorEventRow.no)):
        yield no, json.loads(body)


def _expired_links(session: Session) -> frozenset[int]:
    """Return the links whose records went with their time, as the records themselves tell."""
    spans = [span for _, body in _events(session, EXPIRED) for span in body["links"]]
    return frozenset(no for first, last in spans for no in range(first, last + 1))


def digest_of_taken(taken: Sequence[tuple[int, str, str, str]]) -> str:
    """Return the digest of everything that was taken out at once: link, path, before and after."""
    return hashlib.sha256(canonical([list(each) for each in taken])).hexdigest()


def _deletions(session: Session) -> Iterator[Fault]:
    """Yield deletions that are not what was written down of them."""
    by_event: dict[int, list[tuple[int, str, str, str]]] = {}
    for row in session.execute(select(_TAKEN).order_by(_TAKEN.c.no)):
        by_event.setdefault(row.event, []).append((row.link, row.path, row.before, row.after))
    for no, body in _events(session, FORGOTTEN):
        if digest_of_taken(by_event.pop(no, [])) != body["digest"]:
            yield Fault("deletion", None, OperatorEventRow.__tablename__, no)
    for no in by_event:
        yield Fault("deletion", None, OperatorEventRow.__tablename__, no)
