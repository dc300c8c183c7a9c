"""Notices as lines that are only ever added to, written by the monitor and by named persons."""

import json
from collections.abc import Collection, Iterable, Sequence
from typing import cast

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session

from services.domain import (
    Notice,
    NoticeChange,
    NoticeKind,
    NoticeLine,
    NoticeLineKind,
    NoticeMove,
    NoticeSaid,
    Told,
    notice_of,
    why_not,
)
from services.domain.noticerates import CALLS
from services.errors import Refused
from services.records.noticetables import NoticeLineRow, NoticeRow, NoticeWaitsRow
from services.timebase import ms_of

HOUSE: NoticeKind = "system_trouble"
"""What is nobody's place in particular, and concerns everybody."""
LONGEST_SHELF_MS = 24 * 3_600_000
"""A shelf has a maximum time (OPC UA Part 9 v1.05, 5.8.17); its length is judgement: a day and a night."""


def write(session: Session, changes: Sequence[NoticeChange], shown: Sequence[Told], *, now_ms: int) -> None:
    """Write down what became of causes, and in which words those that stand on are told now."""
    keys = {change.cause_key for change in changes} | {told.cause_key for told in shown}
    newest = _newest(session, keys)
    for each in shown:
        if each.cause_key in newest:
            _show(newest[each.cause_key], each)
    for change in changes:
        row = newest.get(change.cause_key)
        if change.kind == "raised" or row is None:
            if change.told is None or (row is not None and row.ended_ms is None):
                continue
            row = newest[change.cause_key] = _begun(session, change.told)
        if change.told is not None:
            _show(row, change.told)
        _line(session, row, change.kind, _body(change), who="", now_ms=now_ms)


def keep_waits(session: Session, body: str) -> None:
    """Keep the delays that run in place of those kept before."""
    session.merge(NoticeWaitsRow(no=1, body=body))


def waits(session: Session) -> str | None:
    """Return the delays that were kept last."""
    row = session.get(NoticeWaitsRow, 1)
    return None if row is None else row.body


def _body(change: NoticeChange) -> dict[str, object]:
    """Return what a line keeps of a change: all that was told then."""
    told = change.told
    return {
        "why": change.why,
        "priority": None if told is None else told.priority,
        "level": 0 if told is None else told.level,
        "kept_back": change.kept_back,
        "told": None if told is None else told.model_dump(mode="json"),
    }


def _newest(session: Session, keys: Collection[str]) -> dict[str, NoticeRow]:
    query = select(NoticeRow).where(NoticeRow.cause_key.in_(keys)).order_by(NoticeRow.no)
    return {row.cause_key: row for row in session.scalars(query)} if keys else {}


def _begun(session: Session, told: Told) -> NoticeRow:
    row = NoticeRow(
        cause_key=told.cause_key, kind=told.kind, site=told.site, told=told.model_dump_json(), ended_ms=None
    )
    session.add(row)
    session.flush()
    return row


def _show(row: NoticeRow, told: Told) -> None:
    """Keep the newest words; a cause began when it was first seen, and stays found in late data."""
    before = Told.model_validate_json(row.told)
    kept = {"since": min(before.since, told.since), "late": before.late or told.late}
    body = told.model_copy(update=kept if row.ended_ms is None else {}).model_dump_json()
    if body != row.told:
        row.told, row.kind = body, told.kind


def _line(
    session: Session, row: NoticeRow, kind: NoticeLineKind, body: object, *, who: str, now_ms: int
) -> None:
    session.add(NoticeLineRow(notice=row.no, t_ms=now_ms, who=who, kind=kind, body=json.dumps(body)))
    session.flush()
    notice = _notices(session, [row], now_ms=now_ms)[0]
    session.execute(update(NoticeRow).where(NoticeRow.no == row.no).values(ended_ms=notice.ended))


def say(
    session: Session,
    number: int,
    said: NoticeSaid,
    *,
    now_ms: int,
    spoken_ms: int | None = None,
    phone: str | None = None,
) -> None:
    """Write down what a named person says of a notice.

    `spoken_ms` is when it was said, where a phone kept it until now, and `phone` both clocks.

    Raises
    ------
    Refused
        If there is no such notice, or what it is forbids that; or it was told again after what was said.
    """
    row = session.get(NoticeRow, number)
    if row is None:
        raise Refused(f"There is no notice {number}.")
    notice = _notices(session, [row], now_ms=now_ms)[0]
    if spoken_ms is not None and any(line.kind in CALLS and line.at > spoken_ms for line in notice.lines):
        raise Refused("It was told again after that, or got worse. Look again and take it anew.")
    late = spoken_ms is not None and said.kind == "acknowledged"  # seen in its time, over meanwhile
    no = None if late and notice.ended is not None else why_not(notice, said.kind)
    if no is not None:
        raise Refused(no)
    until_ms = None if said.until is None else ms_of(said.until)
    if until_ms is not None and not now_ms < until_ms <= now_ms + LONGEST_SHELF_MS:
        raise Refused("A notice is put aside until a time ahead, for a day at most.")
    body: dict[str, object] = {"why": said.reason, "until": until_ms}
    if phone is not None:
        body |= {"said": spoken_ms, "phone": json.loads(phone)}
    _line(session, row, said.kind, body, who=said.person, now_ms=now_ms)


def notices(
    session: Session, *, over_since_ms: int, sites: Collection[str] | None, limit: int, now_ms: int
) -> list[Notice]:
    """Return notices that need somebody, and those over since a moment; of some places and the house."""
    query = select(NoticeRow).where(or_(NoticeRow.ended_ms.is_(None), NoticeRow.ended_ms >= over_since_ms))
    if sites is not None:
        query = query.where(or_(NoticeRow.site.in_(sites), NoticeRow.kind == HOUSE))
    rows = session.scalars(query.order_by(NoticeRow.ended_ms.is_not(None), NoticeRow.no.desc()).limit(limit))
    return _notices(session, list(rows), now_ms=now_ms)


def notice(session: Session, number: int, *, now_ms: int) -> Notice | None:
    """Return one notice."""
    row = session.get(NoticeRow, number)
    return None if row is None else _notices(session, [row], now_ms=now_ms)[0]


def moves(session: Session, start_ms: int, end_ms: int, sites: Collection[str] | None) -> list[NoticeMove]:
    """Return every line in ``[start_ms, end_ms)``, oldest first; of some places and the house."""
    query = (
        select(NoticeLineRow, NoticeRow)
        .join(NoticeRow, NoticeRow.no == NoticeLineRow.notice)
        .where(NoticeLineRow.t_ms >= start_ms, NoticeLineRow.t_ms < end_ms)
        .order_by(NoticeLineRow.no)
    )
    if sites is not None:
        query = query.where(or_(NoticeRow.site.in_(sites), NoticeRow.kind == HOUSE))
    return [_move(line, row) for line, row in session.execute(query)]


def _move(line: NoticeLineRow, row: NoticeRow) -> NoticeMove:
    body = json.loads(line.body)
    told = Told.model_validate(body.get("told") or json.loads(row.told))
    return NoticeMove(
        notice=row.no,
        cause_key=row.cause_key,
        kind=told.kind,
        site=row.site,
        who=told.who,
        units=told.units,
        at=line.t_ms,
        move=cast("NoticeLineKind", line.kind),
        priority=body.get("priority"),
        kept_back=body.get("kept_back", False),
    )


def _notices(session: Session, rows: Sequence[NoticeRow], *, now_ms: int) -> list[Notice]:
    lines = _lines(session, [row.no for row in rows])
    return [
        notice_of(row.no, Told.model_validate_json(row.told), lines[row.no], now_ms=now_ms)
        for row in rows
        if row.no in lines
    ]


def _lines(session: Session, numbers: Iterable[int]) -> dict[int, list[NoticeLine]]:
    found: dict[int, list[NoticeLine]] = {}
    query = select(NoticeLineRow).where(NoticeLineRow.notice.in_(list(numbers))).order_by(NoticeLineRow.no)
    for row in session.scalars(query):
        found.setdefault(row.notice, []).append(_line_of(row))
    return found


def _line_of(row: NoticeLineRow) -> NoticeLine:
    body = json.loads(row.body)
    return NoticeLine(
        id=row.no,
        at=row.t_ms,
        kind=cast("NoticeLineKind", row.kind),
        who=row.who,
        why=body.get("why", ""),
        until=body.get("until"),
        said=body.get("said"),
        priority=body.get("priority"),
        level=body.get("level", 0),
        kept_back=body.get("kept_back", False),
        signed=row.signed,
    )
