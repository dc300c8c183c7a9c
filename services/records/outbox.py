"""The outbox: messages wait in the records until somebody has taken them, whatever happens meanwhile."""

import json
from collections.abc import Iterable, Sequence

from sqlalchemy import Select, exists, func, or_, select, update
from sqlalchemy.orm import Session, aliased

from services.domain import PRIORITIES, Message, Sent, WayKind
from services.records import reachbook
from services.records.door import Door
from services.records.outboxtables import OutboxRow
from services.records.reachtables import WayRow
from services.timebase import DAY_MS

GIVEN_UP_AFTER_MS = DAY_MS
"""How long a message is tried that says nothing of it itself (judgement)."""
MOST_SHOWN = 500


class OutboxRecords(Door):
    """Putting messages out, taking them to be sent, and saying what became of them."""

    def put_out(self, messages: Iterable[Message], *, now_ms: int) -> int:
        """Put messages out; one whose key was there before is left alone. Returns how many are new."""
        wanted = {message.key: message for message in messages}
        if not wanted:
            return 0
        with self._database.writing() as session:
            known = set(session.scalars(select(OutboxRow.key).where(OutboxRow.key.in_(wanted))))
            fresh = [_row(message, now_ms) for key, message in wanted.items() if key not in known]
            session.add_all(fresh)
        return len(fresh)

    def claim_out(
        self, *, now_ms: int, most: int, hold_ms: int, kind: WayKind | None = None
    ) -> list[Message]:
        """Return messages whose time has come, the most urgent first, for this caller alone for a while.

        What a process that died had taken comes free when its time is over, or when the clock was set
        back by more than that. Lamps get theirs in the order they were put out: the last one stays.
        """
        due = _due(now_ms, hold_ms).limit(most)
        if kind is not None:
            due = due.where(OutboxRow.kind == kind)
        with self._database.reading() as session:
            if session.scalars(due).first() is None:
                return []  # the lock of writers is not asked for every second
        with self._database.writing() as session:
            rows = list(session.scalars(due))
            for row in rows:
                row.held_until_ms = now_ms + hold_ms
            return [_message(row) for row in rows]

    def out_done(self, key: str, now_ms: int) -> None:
        """Write down that a message was taken."""
        with self._database.writing() as session:
            if _became(session, key, state="sent", why="", tried_ms=now_ms, done_ms=now_ms):
                way = select(OutboxRow.way).where(OutboxRow.key == key)
                reachbook.proved(session, session.scalars(way).one(), now_ms)

    def out_failed(self, key: str, why: str, *, now_ms: int, again_ms: int | None) -> None:
        """Write down what stood in the way, and when it is tried again; None gives it up."""
        with self._database.writing() as session:
            if again_ms is None:
                _became(session, key, state="not_delivered", why=why, tried_ms=now_ms, done_ms=now_ms)
            else:
                _became(session, key, state="waiting", why=why, tried_ms=now_ms, again_ms=again_ms)

    def out_tries(self, key: str) -> tuple[int, int, int] | None:
        """Return how often a message was tried, when it was put out, and when it has lost its use."""
        query = select(OutboxRow.tries, OutboxRow.put_ms, OutboxRow.not_after_ms).where(OutboxRow.key == key)
        with self._database.reading() as session:
            found = session.execute(query).first()
            return None if found is None else (found[0], found[1], found[2])

    def outbox(
        self,
        *,
        person: str | None = None,
        notice: int | None = None,
        since_ms: int,
        limit: int = MOST_SHOWN,
    ) -> list[Sent]:
        """Return messages put out since a moment, newest first."""
        query = select(OutboxRow).where(OutboxRow.put_ms >= since_ms)
        if person is not None:
            query = query.where(OutboxRow.person == person)
        if notice is not None:
            query = query.where(OutboxRow.notice == notice)
        with self._database.reading() as session:
            return [_sent(row) for row in session.scalars(query.order_by(OutboxRow.no.desc()).limit(limit))]

    def out_waiting(self) -> int:
        """Return how many messages wait."""
        query = select(func.count()).select_from(OutboxRow).where(OutboxRow.state == "waiting")
        with self._database.reading() as session:
            return session.scalar(query) or 0

    def stuck_out(self, *, since_ms: int, late_ms: int) -> list[Sent]:
        """Return of each way the message that says it does not work, where it does not.

        That is its newest one that was taken or given up, where it was given up since a moment; or its
        oldest one that has waited since before `late_ms`. Tests and ways out of use do not count.
        """
        used = select(WayRow.no).where(WayRow.off.is_(False))
        ended, waits = aliased(OutboxRow), aliased(OutboxRow)
        newest = (
            select(func.max(ended.no))
            .where(
                ended.state != "waiting",
                ended.about != "test",
                ended.put_ms >= since_ms - 2 * GIVEN_UP_AFTER_MS,  # not a year of messages is gone through
            )
            .group_by(ended.way)
        )
        oldest = (
            select(func.min(waits.no))
            .where(waits.state == "waiting", waits.put_ms < late_ms, waits.about != "test")
            .group_by(waits.way)
        )
        query = select(OutboxRow).where(
            OutboxRow.way.in_(used),
            or_(
                OutboxRow.no.in_(oldest),
                OutboxRow.no.in_(newest)
                & (OutboxRow.state == "not_delivered")
                & (OutboxRow.done_ms >= since_ms),
            ),
        )
        with self._database.reading() as session:
            return [_sent(row) for row in session.scalars(query.order_by(OutboxRow.way, OutboxRow.no))]


def _became(session: Session, key: str, **values: object) -> bool:
    """Count a try and write down what came of it; what has ended stays as it is."""
    waits = update(OutboxRow).where(OutboxRow.key == key, OutboxRow.state == "waiting")
    fresh = waits.values(tries=OutboxRow.tries + 1, held_until_ms=None, **values).returning(OutboxRow.no)
    return session.scalars(fresh).first() is not None


def _due(now_ms: int, hold_ms: int) -> Select[OutboxRow]:
    before = aliased(OutboxRow)
    held = OutboxRow.held_until_ms
    overtakes = exists().where(
        before.way == OutboxRow.way, before.state == "waiting", before.no < OutboxRow.no
    )
    return (
        select(OutboxRow)
        .where(
            OutboxRow.state == "waiting",
            OutboxRow.again_ms <= now_ms,
            or_(held.is_(None), held <= now_ms, held > now_ms + hold_ms),
            or_(OutboxRow.kind != "lamp", ~overtakes),
        )
        .order_by(OutboxRow.rank.desc(), OutboxRow.no)
    )


def _row(message: Message, now_ms: int) -> OutboxRow:
    plain = message.model_dump(exclude={"data", "not_after_ms"})
    end_ms = now_ms + GIVEN_UP_AFTER_MS if message.not_after_ms is None else message.not_after_ms
    return OutboxRow(
        **plain,
        data=json.dumps(message.data),
        not_after_ms=end_ms,
        rank=-1 if message.priority is None else PRIORITIES.index(message.priority),
        put_ms=now_ms,
        state="waiting",
        tries=0,
        why="",
        again_ms=now_ms,
    )


_FIELDS: Sequence[str] = tuple(set(Message.model_fields) - {"data"})


def _message(row: OutboxRow) -> Message:
    plain = {name: getattr(row, name) for name in _FIELDS}
    return Message.model_validate({**plain, "data": json.loads(row.data)})


def _sent(row: OutboxRow) -> Sent:
    return Sent.model_validate(
        {
            "message": _message(row),
            "state": row.state,
            "tries": row.tries,
            "why": row.why,
            "put_ms": row.put_ms,
            "tried_ms": row.tried_ms,
            "again_ms": row.again_ms if row.state == "waiting" else None,
            "done_ms": row.done_ms,
        }
    )
