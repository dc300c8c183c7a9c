"""Takes a person out of the records: a number stands for the name, and the audit chain still holds."""

import json
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Table as PlainTable
from sqlalchemy import Text, delete, func, insert, select, update
from sqlalchemy.orm import Session

from services.errors import Refused
from services.records import accountrows, fleetbook
from services.records.accounttables import CodeRow, SessionRow
from services.records.auditchain import commitment, leaves_of, salt_of, with_leaf
from services.records.chaincheck import FORGOTTEN, digest_of_taken
from services.records.chaining import CHAINED, LINKS, SALTS, link_all, values_of
from services.records.chaintables import TakenOutRow
from services.records.state import next_change_no
from services.records.tables import OperatorEventRow, Table

_TAKEN = Table.metadata.tables[TakenOutRow.__tablename__]
_OWN = frozenset({"audit_chain", "audit_salts", "audit_taken_out"})
_WHOSE = frozenset({"about", "by", "key", "loaded_by", "made_by", "name", "person", "technician", "who"})
"""Where a name stands alone; a name that could be one of our own words is looked for there only."""
_OUR_WORD = re.compile(r"[a-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What deleting somebody's data came to."""

    stands_for: str
    """What stands in place of the name from now on."""
    records: int
    elsewhere: int
    """Rows that were worked out from records and held the name."""


@dataclass(slots=True)
class _Search:
    """A name, and what is put in its place."""

    name: str
    stands_for: str
    taken: list[dict[str, Any]] = field(default_factory=list)
    records: set[int] = field(default_factory=set)
    elsewhere: int = 0

    def may_hold(self, text: object) -> bool:
        """Return whether it is worth taking a text apart."""
        return isinstance(text, str) and (self.name in text or json.dumps(self.name)[1:-1] in text)

    def without(self, path: str, leaf: Any) -> Any:  # noqa: ANN401 - JSON
        """Return a leaf with the name replaced."""
        if isinstance(leaf, dict):
            return {key: self.without(f"{path}/{key}", inner) for key, inner in leaf.items()}
        if isinstance(leaf, list):
            return [self.without(path, inner) for inner in leaf]
        if not isinstance(leaf, str) or self.name not in leaf:
            return leaf
        if _OUR_WORD.fullmatch(self.name):
            return self.stands_for if leaf == self.name and path.rpartition("/")[2] in _WHOSE else leaf
        begins = r"(?<!\w)" if self.name[0].isalnum() else ""
        ends = r"(?!\w)" if self.name[-1].isalnum() else ""  # of initials the full stop is the end already
        return re.sub(f"{begins}{re.escape(self.name)}{ends}", self.stands_for, leaf)

    def text_without(self, column: str, text: str) -> str:
        """Return a text, or JSON, with the name replaced."""
        if text[:1] in {"{", "["}:
            try:
                return json.dumps(self.without(column, json.loads(text)))
            except ValueError:
                pass
        return str(self.without(column, text))


def forget(session: Session, name: str, *, who: str, now_ms: int) -> Forgotten:
    """Put a number in place of a name wherever it stands; the account is shut and emptied.

    Raises
    ------
    Refused
        If nobody is called so, or nobody could let people in any more.
    """
    wanted = " ".join(name.split())
    search = _Search(wanted, f"Removed person {_count(session) + 1}")
    account = _empty_account(session, search, now_ms)
    known = {person.name for person in fleetbook.fleet_at(session, None).people}
    if search.name in known:
        fleetbook.drop_person(session, search.name, who=who, now_ms=now_ms)
    link_all(session)
    for row in CHAINED:
        _take_out(session, Table.metadata.tables[row.__tablename__], search)
    _elsewhere(session, search)
    if not search.taken and not search.elsewhere and not account:
        raise Refused(f"There is nobody called {wanted!r} in the records.")
    _tell(session, search, who=str(search.without("who", who)), now_ms=now_ms)
    return Forgotten(search.stands_for, len(search.records), search.elsewhere)


def _count(session: Session) -> int:
    query = select(func.count()).select_from(OperatorEventRow).where(OperatorEventRow.kind == FORGOTTEN)
    return session.scalar(query) or 0


def _empty_account(session: Session, search: _Search, now_ms: int) -> bool:
    row = accountrows.find(session, search.name)
    if row is None:
        return False
    search.name = row.name
    with accountrows.somebody_left(session, row):
        row.disabled_ms = now_ms if row.disabled_ms is None else row.disabled_ms
        row.password = row.pin = row.sites = row.language = row.degrees = None
        row.name, row.key = search.stands_for, accountrows.key_of(search.stands_for)
    session.execute(delete(SessionRow).where(SessionRow.account == row.no))
    session.execute(delete(CodeRow).where(CodeRow.account == row.no))
    return True


def _holding(session: Session, table: PlainTable, search: _Search) -> list[dict[str, Any]]:
    texts = [column.key for column in table.columns if isinstance(column.type, Text)]
    rows = session.execute(select(table).execution_options(yield_per=500)).mappings()
    return [dict(row) for row in rows if any(search.may_hold(row[text]) for text in texts)]


def _take_out(session: Session, table: PlainTable, search: _Search) -> None:
    """Replace the name in the records of one table, and keep what stood for each leaf."""
    for row in _holding(session, table, search):
        values = values_of(table, row)
        number = values.pop("no")
        found = {path: (leaf, search.without(path, leaf)) for path, leaf in leaves_of(values).items()}
        changed = {path: two for path, two in found.items() if two[0] != two[1]}
        if not changed:
            continue
        link = session.scalars(
            select(LINKS.c.no).where(LINKS.c.record == table.name, LINKS.c.row == number)
        ).one()
        salts = _salts_of(session, link, [*found])
        for path, (before, after) in changed.items():
            with_leaf(values, path, after)
            fresh = secrets.token_hex(32)
            search.taken.append(
                {
                    "link": link,
                    "path": path,
                    "before": commitment(salts.pop(path), before),
                    "after": commitment(fresh, after),
                    "salt": fresh,
                }
            )
        _keep_salts(session, link, salts)
        session.execute(update(table).where(table.c.no == number).values(values))
        search.records.add(link)


def _salts_of(session: Session, link: int, paths: list[str]) -> dict[str, str]:
    """Return the salt of every leaf of a record, also of those that were replaced before."""
    row = session.execute(select(SALTS).where(SALTS.c.no == link)).one()
    if row.salt is not None:
        return {path: salt_of(row.salt, path) for path in paths}
    salts: dict[str, str] = json.loads(row.parts)
    query = select(_TAKEN.c.path, _TAKEN.c.salt).where(_TAKEN.c.link == link, _TAKEN.c.salt.is_not(None))
    return salts | {path: salt for path, salt in session.execute(query)}  # noqa: C416


def _keep_salts(session: Session, link: int, salts: dict[str, str]) -> None:
    """Keep the salts of the leaves that stay as they are; those of the others go."""
    session.execute(
        update(_TAKEN).where(_TAKEN.c.link == link, _TAKEN.c.path.not_in(salts)).values(salt=None)
    )
    replaced = set(session.scalars(select(_TAKEN.c.path).where(_TAKEN.c.link == link)))
    parts = {path: salt for path, salt in salts.items() if path not in replaced}
    session.execute(update(SALTS).where(SALTS.c.no == link).values(salt=None, parts=json.dumps(parts)))


def _elsewhere(session: Session, search: _Search) -> None:
    """Replace the name in everything that was worked out from records, and in who gave what to whom."""
    chained = {row.__tablename__ for row in CHAINED}
    for table in Table.metadata.sorted_tables:
        if table.name in chained | _OWN:
            continue
        for row in _holding(session, table, search):
            fresh = dict(_replaced(table, row, search))
            if not fresh:
                continue
            if "change_no" in row:
                fresh["change_no"] = next_change_no(session)
            where = [column == row[column.key] for column in table.primary_key.columns]
            session.execute(update(table).where(*where).values(fresh))
            search.elsewhere += 1


def _replaced(table: PlainTable, row: dict[str, Any], search: _Search) -> Iterator[tuple[str, Any]]:
    for column in table.columns:
        text = row[column.key]
        if not column.primary_key and isinstance(text, str) and search.may_hold(text):
            fresh = search.text_without(column.key, text)
            if fresh != text:
                yield column.key, fresh


def _tell(session: Session, search: _Search, *, who: str, now_ms: int) -> None:
    """Write down that it was done: the digest of all leaves goes into the chain."""
    listed = [(each["link"], each["path"], each["before"], each["after"]) for each in search.taken]
    body = {"leaves": len(listed), "digest": digest_of_taken(listed)}
    event = OperatorEventRow(
        t_ms=now_ms, kind=FORGOTTEN, about=search.stands_for, who=who, body=json.dumps(body)
    )
    session.add(event)
    session.flush()
    if search.taken:
        session.execute(insert(_TAKEN), [{"event": event.no, **each} for each in search.taken])
