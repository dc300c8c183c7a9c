"""The part of the desk for how people are reached: ways, who is on call, what went out, answers by link."""

from collections.abc import Sequence
from dataclasses import dataclass

from services.api.noticedesk import NoticeDesk
from services.domain import Notice, OnCall, OnCallSaid, Sent, Way, WaySaid
from services.domain.telling import Member, ReachLink, Written
from services.errors import Refused
from services.notify.crew import Crew
from services.timebase import DAY_MS, MINUTE_MS

TEST_LIFE_MS = 10 * MINUTE_MS
"""How long a test is tried: whoever asked for it waits (judgement)."""
SHOWN_MS = 7 * DAY_MS
"""How far back the outbox is shown."""


class UnknownLinkError(LookupError):
    """There is no such link."""


@dataclass(frozen=True, slots=True)
class WayTried:
    """A way with its newest test."""

    way: Way
    test: Sent | None


class ReachDesk(NoticeDesk):
    """Reads and writes down how people are reached."""

    def ways_tried(self) -> list[WayTried]:
        """Return the ways that are seen from here, each with its newest test of the last days."""
        sent = self._records.outbox(since_ms=self.now_ms() - SHOWN_MS)
        tests: dict[int, Sent] = {}
        for each in sent:
            if each.message.about == "test":
                tests.setdefault(each.message.way, each)
        return [WayTried(way, tests.get(way.id)) for way in self._records.ways()]

    def way(self, number: int) -> Way:
        """Return a way.

        Raises
        ------
        Refused
            If there is none of that number.
        """
        found = next((way for way in self._records.ways() if way.id == number), None)
        if found is None:
            raise Refused("There is no such way to reach anybody.")
        return found

    def say_way(self, said: WaySaid, way: int | None = None) -> int:
        """Write down what a new or an earlier way shall be from now on; return its number."""
        return self._records.say_way(said, way=way, now_ms=self.now_ms())

    def set_way_off(self, way: int, *, off: bool, who: str) -> None:
        """Let a way rest, or use it again."""
        self._records.set_way_off(way, off=off, who=who, now_ms=self.now_ms())

    def drop_way(self, way: int, *, who: str) -> None:
        """Take a way away, its address with it."""
        self._records.drop_way(way, who=who, now_ms=self.now_ms())

    def send_test(self, number: int, written: Written) -> None:
        """Put out a message that shows whether a way works; it ends by itself soon."""
        way, now_ms = self.way(number), self.now_ms()
        message = written.over(
            way,
            key=f"test.{way.id}.{now_ms}",
            about="test",
            data={"pattern": "flash", "site": way.site, "test": True}
            if way.kind == "lamp"
            else {"test": True},
            not_after_ms=now_ms + TEST_LIFE_MS,
        )
        self._records.put_out([message], now_ms=now_ms)

    def on_call(self, site: str) -> OnCall:
        """Return what was laid down for a place.

        Raises
        ------
        Refused
            If there is no such place.
        """
        if site not in {each.id for each in self._records.fleet().sites}:
            raise Refused(f"There is no site {site!r}.")
        return self._records.on_calls().get(site) or OnCall(site=site)

    def say_on_call(self, said: OnCallSaid) -> None:
        """Write down who hears next at a place, and who watches at night."""
        self._records.say_on_call(said, now_ms=self.now_ms())

    def crew_at(self, site: str) -> list[Member]:
        """Return who looks after a place."""
        crew = Crew.of(self._records.fleet(), self._records.accounts(), (), {})
        return [member for member in crew.members.values() if member.sees(site)]

    def outbox(self) -> Sequence[Sent]:
        """Return what went out in the last days, newest first."""
        return self._records.outbox(since_ms=self.now_ms() - SHOWN_MS)

    def told_of(self, notice: Notice) -> list[Sent]:
        """Return whom a notice reached since it was last raised, oldest first."""
        begun = [line.at for line in notice.lines if line.kind in {"raised", "again", "recurs"}]
        return list(
            reversed(self._records.outbox(notice=notice.id, since_ms=max(begun, default=notice.told)))
        )

    def link(self, secret: str) -> tuple[ReachLink, Notice]:
        """Return what a link is for, and the notice as it is now.

        Raises
        ------
        UnknownLinkError
            If there is no such link.
        """
        link = self._records.link(secret)
        notice = None if link is None else self._records.notice(link.notice, now_ms=self.now_ms())
        if link is None or notice is None:
            raise UnknownLinkError("This link is none, or too old. Log in to see the notice.")
        return link, notice

    def take_by_link(self, secret: str) -> Notice:
        """Write down that whom a link was sent to takes its notice."""
        return self._records.take_by_link(secret, now_ms=self.now_ms())
