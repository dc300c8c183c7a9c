"""Lets records go whose time is over; what is in force, or what something kept still needs, stays."""

import json
from collections.abc import Callable, Iterable, Sequence

from sqlalchemy import (
    ColumnElement,
    FromClause,
    Select,
    and_,
    delete,
    exists,
    func,
    or_,
    select,
    true,
    update,
)
from sqlalchemy import Table as PlainTable
from sqlalchemy.orm import Session

from services.records.chaincheck import EXPIRED, FORGOTTEN
from services.records.chaining import CHAINED, LINKS, SALTS
from services.records.chaintables import TakenOutRow
from services.records.tables import OperatorEventRow, Table
from services.timebase import iso_of

_T = Table.metadata.tables
_TAKEN = _T[TakenOutRow.__tablename__]
_FOR_GOOD = ("ice_point", "corrected")
"""Statements that stay: what a unit's sensor read in melting ice, and corrections."""

Query = Callable[[int], Select[int]]


def anything(session: Session, older_ms: int) -> bool:
    """Return whether anything may go."""
    return any(session.scalar(query(older_ms).limit(1)) is not None for query in _QUERIES.values()) or any(
        session.scalar(select(1).where(_is_old(name, column, older_ms)).limit(1)) is not None
        for name, column in _PLAIN
    )


def expire(session: Session, older_ms: int, *, now_ms: int, most: int) -> int:
    """Let at most so many records of each kind go; return how many went."""
    links: list[int] = []
    gone = 0
    for name, query in _QUERIES.items():
        numbers: list[int] = [*session.scalars(query(older_ms).limit(most))]
        if numbers:
            links += _drop_with(session, name, numbers)
            gone += len(numbers)
    for name, column in _PLAIN:
        key = next(iter(_T[name].primary_key.columns))
        old = select(key).where(_is_old(name, column, older_ms)).limit(most)
        keys = session.scalars(old).all()
        session.execute(delete(_T[name]).where(key.in_(keys), _is_old(name, column, older_ms)))
        gone += len(keys)
    if links:
        body = {"before": iso_of(older_ms), "records": len(links), "links": _spans(links)}
        session.add(
            OperatorEventRow(t_ms=now_ms, kind=EXPIRED, about="records", who="monitor", body=json.dumps(body))
        )
    return gone


def _drop_with(session: Session, name: str, numbers: Sequence[int]) -> list[int]:
    """Remove rows and what hangs on them; return the links of the records among them."""
    links = _drop(session, _T[name], numbers)
    for other, column in _HANGING.get(name, ()):
        table = _T[other]
        key = table.c.no if "no" in table.c else table.c[column]
        hanging = session.scalars(select(key).where(table.c[column].in_(numbers))).all()
        links += _drop(session, table, hanging, key=key)
    return links


def _drop(
    session: Session, table: PlainTable, numbers: Sequence[int], *, key: ColumnElement[int] | None = None
) -> list[int]:
    session.execute(delete(table).where((table.c.no if key is None else key).in_(numbers)))
    if table.name not in {row.__tablename__ for row in CHAINED}:
        return []
    query = select(LINKS.c.no).where(LINKS.c.record == table.name, LINKS.c.row.in_(numbers))
    links = list(session.scalars(query))
    session.execute(delete(SALTS).where(SALTS.c.no.in_(links)))
    session.execute(update(_TAKEN).where(_TAKEN.c.link.in_(links)).values(salt=None))
    return links


def _spans(links: Iterable[int]) -> list[list[int]]:
    """Return numbers as first and last of each run."""
    spans: list[list[int]] = []
    for no in sorted(links):
        if spans and spans[-1][1] == no - 1:
            spans[-1][1] = no
        else:
            spans.append([no, no])
    return spans


def _is_old(name: str, column: str, older_ms: int) -> ColumnElement[bool]:
    return _T[name].c[column] < older_ms


def _newest(table: PlainTable, *by: str, where: ColumnElement[bool] | None = None) -> Select[int]:
    """Return the newest row of each group; they stay."""
    query = select(func.max(table.c.no))
    query = query if where is None else query.where(where)
    return query.group_by(*(table.c[name] for name in by)) if by else query


def _numbers(table: PlainTable, *where: ColumnElement[bool]) -> Select[int]:
    """Return rows that may go, oldest first.

    The newest of a table stays, and what it hangs on: SQLite would give its number again.
    """
    newest = select(func.max(table.c.no)).scalar_subquery()
    last = [_not_last(table, _T[other], column) for other, column in _HANGING.get(table.name, ())]
    return select(table.c.no).where(*where, table.c.no < newest, *last).order_by(table.c.no)


def _not_last(table: PlainTable, other: PlainTable, column: str) -> ColumnElement[bool]:
    if "no" not in other.c:
        return true()
    newest = select(func.max(other.c.no)).scalar_subquery()
    return ~exists().where(other.c[column] == table.c.no, other.c.no == newest)


def _statements(older_ms: int) -> Select[int]:
    t = _T["statements"]
    return _numbers(
        t,
        func.coalesce(t.c.received_ms, t.c.t_ms) < older_ms,
        t.c.kind.not_in(_FOR_GOOD),
        t.c.no.not_in(_newest(t, "unit", "kind")),
        t.c.no.not_in(_newest(t, "unit", where=t.c.ends_clock)),
    )


def _verdict_changes(older_ms: int) -> Select[int]:
    t = _T["verdict_changes"]
    return _numbers(t, t.c.recorded_ms < older_ms, t.c.no.not_in(_newest(t, "unit")))


def _episodes(older_ms: int) -> Select[int]:
    t = _T["episodes"]
    return _numbers(t, t.c.end_ms < older_ms)


def _batches(older_ms: int) -> Select[int]:
    """Return batches that are gone, that nobody spoke of since, and of which no part is kept."""
    t, said, told = _T["batches"], _T["batch_events"], _T["batch_verdicts"]
    parts = t.alias()
    return _numbers(
        t,
        t.c.place == "gone",
        ~exists().where(said.c.batch == t.c.no, said.c.said_ms >= older_ms),
        ~exists().where(told.c.batch == t.c.no, told.c.recorded_ms >= older_ms),
        ~exists().where(parts.c.split_from == t.c.no),
    )


def _commands(older_ms: int) -> Select[int]:
    t = _T["commands"]
    return _numbers(t, t.c.expires_ms < older_ms)


def _operator_events(older_ms: int) -> Select[int]:
    t = _T["operator_events"]
    for_good = or_(t.c.kind.in_((EXPIRED, FORGOTTEN)), t.c.kind.like("credential%"))
    return _numbers(t, t.c.t_ms < older_ms, ~for_good)


def _departures(older_ms: int) -> Select[int]:
    t = _T["departures"]
    return _numbers(t, t.c.said_ms < older_ms, t.c.no.not_in(_newest(t, "site")))


def _pin_checks(older_ms: int) -> Select[int]:
    t = _T["pin_checks"]
    kept = [exists().where(_T[name].c.key == t.c.key) for name in ("statements", "batch_events")]
    return _numbers(t, t.c.t_ms < older_ms, *(~each for each in kept))


def _jobs(older_ms: int) -> Select[int]:
    """Return closed jobs, but for the newest of each kind of work on a unit: the next hangs on it."""
    t, tests = _T["jobs"], _T["run_tests"]
    return _numbers(
        t,
        t.c.state == "closed",
        t.c.closed_ms < older_ms,
        t.c.no.not_in(_newest(t, "unit", "work", "outcome")),
        ~exists().where(tests.c.job == t.c.no, tests.c.start_ms >= older_ms),
    )


def _run_tests(older_ms: int) -> Select[int]:
    t, lines = _T["run_tests"], _T["run_test_lines"]
    done = exists().where(lines.c.test == t.c.no, lines.c.kind == "concluded", lines.c.t_ms < older_ms)
    return _numbers(t, t.c.start_ms < older_ms, done, t.c.no.not_in(_newest(t, "unit")))


def _reach_lines(older_ms: int) -> Select[int]:
    """Return what was said of ways, and of who is on call, but for the newest of each: it is in force."""
    t = _T["reach_lines"]
    return _numbers(t, t.c.t_ms < older_ms, t.c.no.not_in(_newest(t, "about")))


def _notices(older_ms: int) -> Select[int]:
    """Return notices that were over before the moment; what still stands, or is put aside, has no end."""
    t = _T["notices"]
    return _numbers(t, t.c.ended_ms < older_ms)


def _dated(older_ms: int) -> Select[int]:
    """Return descriptions replaced before the moment; of what was taken away then, the last one too.

    The first of a thing that is still described stays: the fleet is in the order of those.
    """
    t = _T["dated"]
    later, other, last = t.alias(), t.alias(), t.alias()

    def same(row: FromClause) -> ColumnElement[bool]:
        return and_(row.c.kind == t.c.kind, row.c.key == t.c.key)

    replaced = exists().where(same(later), later.c.no > t.c.no, later.c.valid_from_ms < older_ms)
    first = ~exists().where(same(other), other.c.no < t.c.no)
    newest = select(func.max(other.c.no)).where(same(other)).correlate(t).scalar_subquery()
    away = exists().where(
        same(last), last.c.no == newest, last.c.value.is_(None), last.c.valid_from_ms < older_ms
    )
    alone = ~exists().where(same(other), other.c.no != t.c.no)
    goes = or_(and_(replaced, or_(~first, away)), and_(t.c.value.is_(None), alone))
    return _numbers(t, t.c.valid_from_ms < older_ms, goes)


_QUERIES: dict[str, Query] = {
    "statements": _statements,
    "verdict_changes": _verdict_changes,
    "episodes": _episodes,
    "batches": _batches,
    "commands": _commands,
    "operator_events": _operator_events,
    "departures": _departures,
    "pin_checks": _pin_checks,
    "jobs": _jobs,
    "run_tests": _run_tests,
    "notices": _notices,
    "reach_lines": _reach_lines,
    "dated": _dated,
}
_HANGING: dict[str, tuple[tuple[str, str], ...]] = {
    "batches": (
        ("batch_events", "batch"),
        ("batch_verdicts", "batch"),
        ("batch_stays", "batch"),
        ("batch_state", "batch"),
    ),
    "jobs": (("job_lines", "job"),),
    "run_tests": (("run_test_lines", "test"), ("run_test_state", "test")),
    "notices": (("notice_lines", "notice"),),
}
"""Tables whose rows go with the row that a column of theirs names."""
_PLAIN = (("said_keys", "t_ms"), ("health_days", "day_ms"), ("outbox", "put_ms"))
"""Tables of which everything old goes."""
