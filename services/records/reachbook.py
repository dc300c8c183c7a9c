"""How people are reached: ways as they are, what was said of them, who is on call, links that answer once."""

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import cast

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from services.domain import (
    ChainStep,
    NightWatch,
    Notice,
    NoticeLineKind,
    NoticePriority,
    NoticeSaid,
    OnCall,
    OnCallSaid,
    Way,
    WayKind,
    WaySaid,
)
from services.domain.telling import ReachLink
from services.errors import Refused
from services.records import noticebook, state
from services.records.noticetables import NoticeLineRow
from services.records.reachtables import ReachLineRow, ReachLinkRow, WayRow
from services.records.secretwords import digest

_FIELDS = (
    *("person", "site", "kind", "target", "language", "least"),
    *("quiet_from_min", "quiet_to_min", "digests", "nothing_too"),
)
WAYS = "ways"
"""The counter of ways, those taken away among them."""
NO_LINK = "This link is none, or too old. Log in to see the notice."
LINK_KEPT_MS = 7 * 24 * 3_600_000
"""How long a link that has ended can still say so."""


@dataclass(frozen=True, slots=True)
class MovedNotice:
    """One line of a notice, for whoever tells of it."""

    no: int
    notice: int
    at_ms: int
    kind: NoticeLineKind


def ways(session: Session) -> list[Way]:
    """Return every way there is, in the order they were made."""
    return [_way(row) for row in session.scalars(select(WayRow).order_by(WayRow.no))]


def _way(row: WayRow) -> Way:
    return Way(
        id=row.no,
        person=row.person,
        site=row.site,
        kind=cast("WayKind", row.kind),
        target=row.target,
        language=row.language,
        least=cast("NoticePriority", row.least),
        quiet_from_min=row.quiet_from_min,
        quiet_to_min=row.quiet_to_min,
        digests=row.digests,
        nothing_too=row.nothing_too,
        off=row.off,
        since_ms=row.since_ms,
        proven_ms=row.proven_ms,
    )


def require(session: Session, number: int) -> WayRow:
    """Return a way.

    Raises
    ------
    Refused
        If there is none of that number.
    """
    row = session.get(WayRow, number)
    if row is None:
        raise Refused("There is no such way to reach anybody.")
    return row


def say_way(session: Session, said: WaySaid, number: int | None, *, now_ms: int) -> int:
    """Write down what a way shall be from now on; return its number."""
    same = select(WayRow).where(
        WayRow.kind == said.kind,
        WayRow.target == said.target,
        WayRow.person.is_not_distinct_from(said.person),
        WayRow.site.is_not_distinct_from(said.site),
    )
    if any(row.no != number for row in session.scalars(same)):
        raise Refused("That address is there already.")
    fresh = {name: getattr(said, name) for name in _FIELDS}
    if number is None:
        no = state.counter(session, WAYS) + 1  # never one that was taken away: its messages still name it
        state.set_counter(session, WAYS, no)
        row = WayRow(no=no, **fresh, off=False, since_ms=now_ms, proven_ms=None)
        session.add(row)
        session.flush()
        changed = True
    else:
        row = require(session, number)
        changed = (row.kind, row.target) != (said.kind, said.target)
        for name, value in fresh.items():
            setattr(row, name, value)
        if changed:
            row.since_ms, row.proven_ms = now_ms, None
    body = said.model_dump(mode="json", exclude={"who", "target"}) | {"new_target": changed}
    _line(session, f"way:{row.no}", "said", body, who=said.who, now_ms=now_ms)
    return row.no


def set_off(session: Session, number: int, *, off: bool, who: str, now_ms: int) -> None:
    """Let a way rest, or use it again."""
    row = require(session, number)
    if row.off != off:
        row.off, row.since_ms = off, now_ms
        _line(session, f"way:{number}", "off" if off else "on", {}, who=who, now_ms=now_ms)


def drop_way(session: Session, number: int, *, who: str, now_ms: int) -> None:
    """Take a way away, its address with it."""
    session.delete(require(session, number))
    _line(session, f"way:{number}", "removed", {}, who=who, now_ms=now_ms)


def proved(session: Session, number: int, now_ms: int) -> None:
    """Note that a message went over a way; of one that is gone nothing is noted."""
    session.execute(update(WayRow).where(WayRow.no == number).values(proven_ms=now_ms))


def _line(session: Session, about: str, kind: str, body: object, *, who: str, now_ms: int) -> None:
    session.add(ReachLineRow(about=about, t_ms=now_ms, who=who, kind=kind, body=json.dumps(body)))
    session.flush()


def say_on_call(session: Session, said: OnCallSaid, *, now_ms: int) -> None:
    """Write down who hears next at a place, and who watches at night."""
    body = said.model_dump(mode="json", include={"steps", "watch"})
    _line(session, f"site:{said.site}", "on_call", body, who=said.who, now_ms=now_ms)


def on_calls(session: Session) -> dict[str, OnCall]:
    """Return what was laid down last, by place."""
    newest = (
        select(func.max(ReachLineRow.no)).where(ReachLineRow.kind == "on_call").group_by(ReachLineRow.about)
    )
    rows = session.scalars(select(ReachLineRow).where(ReachLineRow.no.in_(newest)))
    return {found.site: found for found in (_on_call(row) for row in rows)}


def _on_call(row: ReachLineRow) -> OnCall:
    body = json.loads(row.body)
    watch = body["watch"]
    return OnCall(
        site=row.about.removeprefix("site:"),
        steps=tuple(ChainStep.model_validate(step) for step in body["steps"]),
        watch=None if watch is None else NightWatch.model_validate(watch),
        said_ms=row.t_ms,
        said_by=row.who,
    )


def lines_after(session: Session, no: int, limit: int) -> list[MovedNotice]:
    """Return lines of notices after one, in the order they were written."""
    query = select(NoticeLineRow).where(NoticeLineRow.no > no).order_by(NoticeLineRow.no).limit(limit)
    return [
        MovedNotice(row.no, row.notice, row.t_ms, cast("NoticeLineKind", row.kind))
        for row in session.scalars(query)
    ]


def newest_line(session: Session) -> int:
    """Return the number of the newest line of any notice."""
    return session.scalar(select(func.max(NoticeLineRow.no))) or 0


def put_links(session: Session, links: Collection[tuple[str, ReachLink]], *, now_ms: int) -> None:
    """Keep links by their digests, and let go of those that ended long ago."""
    session.execute(delete(ReachLinkRow).where(ReachLinkRow.expires_ms < now_ms - LINK_KEPT_MS))
    session.add_all(
        ReachLinkRow(
            digest=digest(secret), notice=link.notice, person=link.person, language=link.language,
            expires_ms=link.expires_ms, used_ms=None,
        )
        for secret, link in links
    )  # fmt: skip


def link(session: Session, secret: str) -> ReachLink | None:
    """Return what a link is for, also of one that was used or has ended."""
    row = session.get(ReachLinkRow, digest(secret))
    return None if row is None else _link(row)


def _link(row: ReachLinkRow) -> ReachLink:
    return ReachLink(row.notice, row.person, row.language, row.expires_ms, row.used_ms)


def take_by_link(session: Session, secret: str, known: Collection[str], *, now_ms: int) -> Notice:
    """Write down that whom a link was sent to takes its notice; return the notice as it is then.

    Raises
    ------
    Refused
        If the link is none, ended or was used, its person may not sign any more, or somebody has taken it.
    """
    row = session.get(ReachLinkRow, digest(secret))
    notice = None if row is None else noticebook.notice(session, row.notice, now_ms=now_ms)
    if row is None or notice is None or row.expires_ms <= now_ms or row.person not in known:
        raise Refused(NO_LINK)
    if notice.taken_by is not None:
        raise Refused(f"{notice.taken_by} has taken it already.")
    if row.used_ms is not None:
        raise Refused("This link was used already. Log in to take it again.")
    row.used_ms = now_ms
    noticebook.say(session, row.notice, NoticeSaid(person=row.person, kind="acknowledged"), now_ms=now_ms)
    found = noticebook.notice(session, row.notice, now_ms=now_ms)
    return notice if found is None else found
