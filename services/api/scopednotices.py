"""Notices as one person sees them: those of their places and of the house, answered in their own name."""

from collections.abc import Callable, Collection, Sequence

from services.api.access import Asker
from services.api.ports import BookOfRecords
from services.domain import Notice, NoticeMove, NoticeSaid
from services.errors import Refused


class ScopedNotices:
    """Notices of the places that are seen."""

    _book: BookOfRecords
    _asker: Asker
    _require: Callable[[str | None, str], None]

    def say_of_notice(self, number: int, said: NoticeSaid, *, now_ms: int) -> None:
        """Write down what a named person says of a notice; of the house's only who sees every place."""
        notice = self.notice(number, now_ms=now_ms)
        if notice is None:
            raise Refused(f"There is no notice {number}.")
        self._require(None, said.person)
        if notice.kind == "system_trouble" and self._asker.sites is not None:
            raise Refused("What the house itself lacks is answered by somebody who looks after every place.")
        self._book.say_of_notice(number, said, now_ms=now_ms)

    def notices(
        self,
        *,
        now_ms: int,
        over_since_ms: int | None = None,
        sites: Collection[str] | None = None,
        limit: int = 500,
    ) -> Sequence[Notice]:
        """Return notices that need somebody, the newest first, then those over since a moment."""
        return self._book.notices(
            now_ms=now_ms, over_since_ms=over_since_ms, sites=self._places(sites), limit=limit
        )

    def notice(self, number: int, *, now_ms: int) -> Notice | None:
        """Return one notice."""
        notice = self._book.notice(number, now_ms=now_ms)
        seen = self._asker.sites
        if notice is None or seen is None or notice.kind == "system_trouble" or notice.site in seen:
            return notice
        return None

    def notice_moves(
        self, start_ms: int, end_ms: int, *, sites: Collection[str] | None = None
    ) -> Sequence[NoticeMove]:
        """Return every change of every notice in a span, oldest first."""
        return self._book.notice_moves(start_ms, end_ms, sites=self._places(sites))

    def _places(self, sites: Collection[str] | None) -> Collection[str] | None:
        seen = self._asker.sites
        if seen is None:
            return sites
        return seen if sites is None else seen.intersection(sites)
