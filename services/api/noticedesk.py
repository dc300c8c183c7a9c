"""The part of the desk for notices: what stands, what named persons say of it, and how much is told."""

from services.api.healthdesk import HealthDesk
from services.api.schemas import Wire
from services.domain import Notice, NoticeLine, NoticeSaid, in_urgency
from services.domain.noticerates import NoticeRates, rates_of
from services.timebase import DAY_MS

RATES_OF_MS = 7 * DAY_MS
"""Rates are those of the last week: long enough for a quiet house, short enough to see a change."""
MOST_SHOWN = 500


class UnknownNoticeError(LookupError):
    """There is no notice of that number."""


class NoticeHistory(Wire):
    """A notice with everything that became of it."""

    notice: Notice
    lines: tuple[NoticeLine, ...]


class NoticeDesk(HealthDesk):
    """Reads notices, and writes down what named persons say of them."""

    def notices(self, *, over_since_ms: int | None = None, site: str | None = None) -> list[Notice]:
        """Return notices, the most urgent first; where a moment is given also those over since."""
        sites = None if site is None else {site}
        found = self._records.notices(
            now_ms=self.now_ms(), over_since_ms=over_since_ms, sites=sites, limit=MOST_SHOWN
        )
        return in_urgency(found)

    def notice(self, number: int) -> Notice:
        """Return a notice.

        Raises
        ------
        UnknownNoticeError
            If there is no such notice.
        """
        notice = self._records.notice(number, now_ms=self.now_ms())
        if notice is None:
            raise UnknownNoticeError(f"There is no notice {number}.")
        return notice

    def say_of_notice(self, number: int, said: NoticeSaid) -> Notice:
        """Write down what a named person says of a notice (see `notice` for what is raised)."""
        self.notice(number)
        self._records.say_of_notice(number, said, now_ms=self.now_ms())
        return self.notice(number)

    def notice_rates(self) -> NoticeRates:
        """Return how much was told in the last week, and whom it reached."""
        end_ms = self.now_ms() + 1
        start_ms = end_ms - RATES_OF_MS
        moves = self._records.notice_moves(start_ms, end_ms)
        return rates_of(moves, self.notices(), start_ms=start_ms, end_ms=end_ms)
