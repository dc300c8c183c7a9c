"""Takes a person out of the records: a number stands for the name, and the audit chain still holds."""

import json
from dataclasses import dataclass

from sqlalchemy import Table as PlainTable
from sqlalchemy import and_, delete, func, insert, select, update
from sqlalchemy.orm import Session

from services.errors import Refused
from services.records import accountrows, fleetbook
from services.records.accounttables import CodeRow, SessionRow
from services.records.chaincheck import FORGOTTEN, digest_of_taken
from services.records.chaining import CHAINED, link_all
from services.records.namesearch import Search
from services.records.outboxtables import OutboxRow
from services.records.reachtables import WayRow
from services.records.state import next_change_no
from services.records.tables import OperatorEventRow, Table
from services.records.takingout import TAKEN, TakenOut, take_out

_OWN = frozenset({"audit_chain", "audit_salts", "audit_taken_out", "counters"})
_CHAINED = frozenset(row.__tablename__ for row in CHAINED)


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What deleting somebody's data came to."""

    stands_for: str
    """What stands in place of the name from now on."""
    records: int
    elsewhere: int
    """Rows that were worked out from records and held the name."""
    addresses: int
    """Addresses that went with it."""


def forget(session: Session, name: str, *, who: str, now_ms: int) -> Forgotten:
    """Put a number in place of a name wherever it stands; the account is shut and emptied.

    Raises
    ------
    Refused
        If nobody is called so, or nobody could let people in any more.
    """
    wanted = " ".join(name.split())
    search, taken = Search(wanted, f"Removed person {_count(session) + 1}"), TakenOut()
    account = _empty_account(session, search, now_ms)
    known = {person.name for person in fleetbook.fleet_at(session, None).people}
    if search.name in known:
        fleetbook.drop_person(session, search.name, who=who, now_ms=now_ms)
    link_all(session)
    others = [table for table in Table.metadata.sorted_tables if table.name not in _OWN]
    for table in others:
        search.find_addresses(session, table)
    for table in others:
        if table.name in _CHAINED:
            take_out(session, table, search, taken)
    elsewhere = _drop_ways(session, search.name)
    elsewhere += sum(_replace(session, table, search) for table in others if table.name not in _CHAINED)
    if not taken.leaves and not elsewhere and not account:
        raise Refused(f"There is nobody called {wanted!r} in the records.")
    _tell(session, search, taken, who=str(search.without("who", who)), now_ms=now_ms)
    return Forgotten(search.stands_for, len(taken.links), elsewhere, len(search.addresses))


def _count(session: Session) -> int:
    query = select(func.count()).select_from(OperatorEventRow).where(OperatorEventRow.kind == FORGOTTEN)
    return session.scalar(query) or 0


def _empty_account(session: Session, search: Search, now_ms: int) -> bool:
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


def _drop_ways(session: Session, name: str) -> int:
    """Let the ways to reach somebody go, and what waits to be sent over them; return how many."""
    ways = session.scalars(delete(WayRow).where(WayRow.person == name).returning(WayRow.no)).all()
    waiting = (OutboxRow.person == name, OutboxRow.state == "waiting")
    unsent = session.scalars(delete(OutboxRow).where(*waiting).returning(OutboxRow.no)).all()
    return len(ways) + len(unsent)


def _replace(session: Session, table: PlainTable, search: Search) -> int:
    """Replace name and addresses in what was worked out from records, and in who gave what to whom."""
    count = 0
    for row in search.holding(session, table):
        fresh: dict[str, object] = dict(search.changes(table, row))
        if not fresh:
            continue
        if "change_no" in row:
            fresh["change_no"] = next_change_no(session)
        this = and_(*(column == row[column.key] for column in table.primary_key.columns))
        session.execute(update(table).where(this).values(fresh))
        count += 1
    return count


def _tell(session: Session, search: Search, taken: TakenOut, *, who: str, now_ms: int) -> None:
    """Write down that it was done: the digest of all leaves goes into the chain."""
    listed = [(each["link"], each["path"], each["before"], each["after"]) for each in taken.leaves]
    body = {"leaves": len(listed), "digest": digest_of_taken(listed)}
    event = OperatorEventRow(
        t_ms=now_ms, kind=FORGOTTEN, about=search.stands_for, who=who, body=json.dumps(body)
    )
    session.add(event)
    session.flush()
    if taken.leaves:
        session.execute(insert(TAKEN), [{"event": event.no, **each} for each in taken.leaves])
