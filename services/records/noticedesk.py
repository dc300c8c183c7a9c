"""The door to notices: written by the monitor, spoken of by named persons, never changed."""

from collections.abc import Collection, Sequence

from services.domain import Notice, NoticeChange, NoticeMove, NoticeSaid, Told
from services.records import noticebook, signing
from services.records.door import Door

MOST_NOTICES = 500


class NoticeRecords(Door):
    """Writing down what becomes of notices, and reading them again."""

    def write_notices(self, changes: Sequence[NoticeChange], shown: Sequence[Told], *, now_ms: int) -> None:
        """Write down what became of causes at one look, and in which words others stand on."""
        with self._database.writing() as session:
            noticebook.write(session, changes, shown, now_ms=now_ms)

    def keep_notice_waits(self, body: str) -> None:
        """Keep the monitor's delays that run, as JSON."""
        with self._database.writing() as session:
            noticebook.keep_waits(session, body)

    def notice_waits(self) -> str | None:
        """Return the delays that were kept last, None where there are none."""
        with self._database.reading() as session:
            return noticebook.waits(session)

    def say_of_notice(self, number: int, said: NoticeSaid, *, now_ms: int) -> None:
        """Write down what a named person says of a notice.

        Raises
        ------
        Refused
            If person or notice is unknown, or what the notice is forbids it.
        """
        signing.require_person(self.fleet(), said.person)
        spoken_ms, kept = self._spoken_ms(), self._database.kept
        phone = None if kept is None else kept.times
        with self._database.writing() as session:
            noticebook.say(session, number, said, now_ms=now_ms, spoken_ms=spoken_ms, phone=phone)

    def notices(
        self,
        *,
        now_ms: int,
        over_since_ms: int | None = None,
        sites: Collection[str] | None = None,
        limit: int = MOST_NOTICES,
    ) -> list[Notice]:
        """Return notices that need somebody, the newest first, then those over since a moment."""
        since_ms = now_ms + 1 if over_since_ms is None else over_since_ms
        with self._database.reading() as session:
            return noticebook.notices(
                session, over_since_ms=since_ms, sites=sites, limit=limit, now_ms=now_ms
            )

    def notice(self, number: int, *, now_ms: int) -> Notice | None:
        """Return one notice."""
        with self._database.reading() as session:
            return noticebook.notice(session, number, now_ms=now_ms)

    def notice_moves(
        self, start_ms: int, end_ms: int, *, sites: Collection[str] | None = None
    ) -> list[NoticeMove]:
        """Return every change of every notice in ``[start_ms, end_ms)``, oldest first."""
        with self._database.reading() as session:
            return noticebook.moves(session, start_ms, end_ms, sites)
