"""What notices need of the records; the facade in services.records is the real one."""

from collections.abc import Collection, Sequence
from typing import Protocol

from services.domain import Notice, NoticeMove, NoticeSaid


class NoticeBook(Protocol):
    """Notices, as far as the pages and the API go."""

    def say_of_notice(self, number: int, said: NoticeSaid, *, now_ms: int) -> None:
        """Write down what a named person says of a notice."""

    def notices(
        self,
        *,
        now_ms: int,
        over_since_ms: int | None = None,
        sites: Collection[str] | None = None,
        limit: int = 500,
    ) -> Sequence[Notice]:
        """Return notices that need somebody, the newest first, then those over since a moment."""

    def notice(self, number: int, *, now_ms: int) -> Notice | None:
        """Return one notice."""

    def notice_moves(
        self, start_ms: int, end_ms: int, *, sites: Collection[str] | None = None
    ) -> Sequence[NoticeMove]:
        """Return every change of every notice in a span, oldest first."""
