"""Run tests as rows that are only ever added to."""

import json
from collections.abc import Collection, Sequence
from typing import cast

from sqlalchemy import delete, exists, select
from sqlalchemy.orm import Session

from services.domain import (
    RunTest,
    RunTestAdded,
    RunTestBegun,
    RunTestKind,
    RunTestRecord,
    RunTestSaid,
    RunTestWords,
)
from services.errors import Refused
from services.records.runtesttables import RunTestLineRow, RunTestRow, RunTestStateRow

CONCLUDED = "concluded"
_concluded = exists().where(RunTestLineRow.test == RunTestRow.no, RunTestLineRow.kind == CONCLUDED)


def begin(session: Session, begun: RunTestBegun, *, now_ms: int) -> int:
    """Write down that a test begins, and return its number.

    Raises
    ------
    Refused
        If one of the unit runs already.
    """
    running = select(RunTestRow.no).where(RunTestRow.unit == begun.unit, ~_concluded)
    if session.scalar(running.limit(1)) is not None:
        raise Refused("A test of this unit runs already: end it first.")
    row = RunTestRow(
        unit=begun.unit,
        kind=begun.kind,
        start_ms=now_ms,
        who=begun.person,
        words=begun.words.model_dump_json(),
        job=begun.job,
    )
    session.add(row)
    session.flush()
    return row.no


def say(session: Session, number: int, added: RunTestAdded, *, now_ms: int) -> None:
    """Write down something said of a test that runs.

    Raises
    ------
    Refused
        If there is no such test, or it is concluded.
    """
    if session.get(RunTestRow, number) is None:
        raise Refused(f"There is no test {number}.")
    kinds = set(session.scalars(select(RunTestLineRow.kind).where(RunTestLineRow.test == number)))
    if kinds & {CONCLUDED, "stopped"}:
        raise Refused(f"Test {number} is over; its result stays as it is.")
    body = {"value": added.value, "note": added.note.strip()}
    _line(session, number, added.kind, json.dumps(body), who=added.person, t_ms=now_ms)


def _line(session: Session, number: int, kind: str, body: str, *, who: str, t_ms: int) -> None:
    session.add(RunTestLineRow(test=number, t_ms=t_ms, who=who, kind=kind, body=body))


def show(session: Session, number: int, result: RunTest) -> None:
    """Keep how a test stands so far."""
    body = result.model_dump_json(by_alias=True)
    row = session.get(RunTestStateRow, number)
    if row is None:
        session.add(RunTestStateRow(test=number, result=body))
    elif row.result != body:
        row.result = body


def conclude(session: Session, number: int, result: RunTest, *, now_ms: int) -> bool:
    """Write down the result of a test, once; return whether it was not there yet."""
    done = select(RunTestLineRow.no).where(RunTestLineRow.test == number, RunTestLineRow.kind == CONCLUDED)
    if session.scalar(done.limit(1)) is not None:
        return False
    _line(session, number, CONCLUDED, result.model_dump_json(by_alias=True), who="", t_ms=now_ms)
    session.execute(delete(RunTestStateRow).where(RunTestStateRow.test == number))
    return True


def numbers(
    session: Session, *, units: Collection[str] | None, job: int | None, running: bool, limit: int
) -> Sequence[int]:
    """Return the numbers of tests, the newest first."""
    query = select(RunTestRow.no).order_by(RunTestRow.no.desc()).limit(limit)
    if units is not None:
        query = query.where(RunTestRow.unit.in_(units))
    if job is not None:
        query = query.where(RunTestRow.job == job)
    if running:
        query = query.where(~_concluded)
    return list(session.scalars(query))


def records_of(session: Session, of: Sequence[int]) -> list[RunTestRecord]:
    """Return tests with everything said of them, in the order of their numbers as given."""
    rows = {row.no: row for row in session.scalars(select(RunTestRow).where(RunTestRow.no.in_(of)))}
    lines: dict[int, list[RunTestLineRow]] = {}
    query = select(RunTestLineRow).where(RunTestLineRow.test.in_(of)).order_by(RunTestLineRow.no)
    for line in session.scalars(query):
        lines.setdefault(line.test, []).append(line)
    shown = select(RunTestStateRow).where(RunTestStateRow.test.in_(of))
    so_far = {row.test: row.result for row in session.scalars(shown)}
    return [_record(rows[no], lines.get(no, []), so_far.get(no)) for no in of if no in rows]


def _record(row: RunTestRow, lines: Sequence[RunTestLineRow], so_far: str | None) -> RunTestRecord:
    done = next((line for line in lines if line.kind == CONCLUDED), None)
    result = so_far if done is None else done.body
    return RunTestRecord(
        id=row.no,
        unit=row.unit,
        kind=cast("RunTestKind", row.kind),
        start=row.start_ms,
        who=row.who,
        signed=row.signed,
        words=RunTestWords.model_validate_json(row.words),
        job=row.job,
        said=tuple(_said(line) for line in lines if line.kind != CONCLUDED),
        result=None if result is None else RunTest.model_validate_json(result),
        concluded=None if done is None else done.t_ms,
    )


def _said(line: RunTestLineRow) -> RunTestSaid:
    told = {"no": line.no, "t": line.t_ms, "who": line.who, "kind": line.kind, "signed": line.signed}
    return RunTestSaid.model_validate(told | json.loads(line.body))
