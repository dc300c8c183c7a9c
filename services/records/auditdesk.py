"""The audit chain at the door: looking over it, taking a person out, letting old records go."""

import json
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy import select

from services.records import forgetting, retention, wholly
from services.records.chaincheck import VERIFIED, Checked, check
from services.records.chaining import head
from services.records.door import Door
from services.records.forgetting import Forgotten
from services.records.tables import OperatorEventRow
from services.records.wholly import Whole

_FAULTS_NOTED = 20


@dataclass(frozen=True, slots=True)
class LastVerified:
    """What was found when somebody last looked over the chain."""

    t_ms: int
    who: str
    links: int
    head: str
    faults: int


class AuditRecords(Door):
    """What nobody can unwrite, and what must go nevertheless."""

    def verify_chain(
        self, heads: Collection[str] = (), *, told: Callable[[int], None] = lambda _: None
    ) -> Checked:
        """Look at every record; `heads` are hashes noted earlier that must still be part of the chain.

        `told` hears now and then how many links were looked at.
        """
        with self._database.reading() as session:
            return check(session, heads, told=told)

    def note_verified(self, found: Checked, *, who: str, now_ms: int) -> None:
        """Write down that somebody looked, and what was found; it becomes part of the chain."""
        faults = [[each.kind, each.record, each.row] for each in found.faults[:_FAULTS_NOTED]]
        body = {"links": found.links, "head": found.head, "count": len(found.faults), "faults": faults}
        row = OperatorEventRow(t_ms=now_ms, kind=VERIFIED, about="records", who=who, body=json.dumps(body))
        with self._database.writing() as session:
            session.add(row)

    def last_verified(self) -> LastVerified | None:
        """Return when somebody last looked, and what was found; None where nobody has."""
        query = select(OperatorEventRow).where(OperatorEventRow.kind == VERIFIED)
        with self._database.reading() as session:
            row = session.scalars(query.order_by(OperatorEventRow.no.desc()).limit(1)).first()
        if row is None:
            return None
        body = json.loads(row.body)
        return LastVerified(row.t_ms, row.who, body["links"], body["head"], body["count"])

    def chain_head(self) -> tuple[int, str]:
        """Return number and hash of the newest link: whoever notes it can prove later what was there."""
        with self._database.reading() as session:
            return head(session)

    @contextmanager
    def whole(self) -> Iterator[Whole]:
        """Yield everything the records hold at one moment, but for secrets and what opens the door."""
        with self._database.reading() as session:
            yield wholly.whole(session)

    def forget_person(self, name: str, *, who: str, now_ms: int) -> Forgotten:
        """Put a number in place of a person's name everywhere, and shut the account.

        Raises
        ------
        Refused
            If nobody is called so, or nobody could let people in any more.
        """
        with self._database.writing() as session:
            return forgetting.forget(session, name, who=who, now_ms=now_ms)

    def tidy(self) -> None:
        """Leave nothing in the file of what was removed; it is written anew while nobody else writes.

        Raises
        ------
        DependencyUnavailable
            If somebody else keeps writing.
        """
        self._database.tidy()

    def expire(self, older_ms: int, *, now_ms: int, most: int) -> int:
        """Let old records go that nothing needs, at most so many of each kind; return how many."""
        with self._database.reading() as session:
            if not retention.anything(session, older_ms):
                return 0
        with self._database.writing() as session:
            return retention.expire(session, older_ms, now_ms=now_ms, most=most)
