"""The audit chain at the door: looking over it, taking a person out, letting old records go."""

from collections.abc import Collection, Iterator
from contextlib import contextmanager

from services.records import forgetting, retention, wholly
from services.records.chaincheck import Checked, check
from services.records.chaining import head
from services.records.door import Door
from services.records.forgetting import Forgotten
from services.records.wholly import Whole


class AuditRecords(Door):
    """What nobody can unwrite, and what must go nevertheless."""

    def verify_chain(self, heads: Collection[str] = ()) -> Checked:
        """Look at every record; `heads` are hashes noted earlier that must still be part of the chain."""
        with self._database.reading() as session:
            return check(session, heads)

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
