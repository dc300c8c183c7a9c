"""How people are reached, as one person sees it: their own ways; all of them in the office of every place."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from services.api.access import OFFICE, Asker
from services.api.ports import BookOfRecords
from services.domain import Fleet, Message, Notice, OnCall, OnCallSaid, Sent, Way, WaySaid
from services.domain.telling import ReachLink
from services.errors import Refused
from services.records.crew import Account

ONLY_OFFICE = "Only a manager or administrator of every place may say that."
OWN_MAIL = "For yourself you may enter an e-mail address; anything else is set up by the office."


class ScopedReach:
    """Ways of whoever asks; of everybody where the office of every place asks."""

    _book: BookOfRecords
    _asker: Asker
    _require: Callable[[str | None, str], None]
    fleet: Callable[[], Fleet]

    @property
    def _office(self) -> bool:
        asker = self._asker
        return asker.kind == "person" and asker.role in OFFICE and asker.sites is None

    def _own(self, person: str | None) -> bool:
        return self._office or (self._asker.kind == "person" and person == self._asker.name)

    def accounts(self) -> Sequence[Account]:
        """Return who has an account; bound to places, only those who look after one of them."""
        seen = self._asker.sites
        found = self._book.accounts()
        return [a for a in found if seen is None or a.sites is None or seen & a.sites]

    def ways(self) -> Sequence[Way]:
        """Return the ways that are one's own."""
        return [way for way in self._book.ways() if self._own(way.person)]

    def say_way(self, said: WaySaid, *, way: int | None = None, now_ms: int) -> int:
        """Write down what a new or an earlier way shall be from now on."""
        self._require(None, said.who)
        if way is not None:
            self._require_way(way)
        if not self._own(said.person):
            raise Refused(ONLY_OFFICE)
        if said.kind != "mail" and not self._office:
            raise Refused(OWN_MAIL)
        if said.site is not None and said.site not in {site.id for site in self.fleet().sites}:
            raise Refused(f"There is no site {said.site!r}.")
        return self._book.say_way(said, way=way, now_ms=now_ms)

    def _require_way(self, number: int) -> Way:
        found = next((way for way in self.ways() if way.id == number), None)
        if found is None:
            raise Refused("There is no such way to reach anybody.")
        return found

    def set_way_off(self, way: int, *, off: bool, who: str, now_ms: int) -> None:
        """Let a way rest, or use it again."""
        self._require(None, who)
        self._require_way(way)
        self._book.set_way_off(way, off=off, who=who, now_ms=now_ms)

    def drop_way(self, way: int, *, who: str, now_ms: int) -> None:
        """Take a way away."""
        self._require(None, who)
        self._require_way(way)
        self._book.drop_way(way, who=who, now_ms=now_ms)

    def on_calls(self) -> Mapping[str, OnCall]:
        """Return who is on call at the places that are seen."""
        seen = self._asker.sites
        return {site: found for site, found in self._book.on_calls().items() if seen is None or site in seen}

    def say_on_call(self, said: OnCallSaid, *, now_ms: int) -> None:
        """Write down who hears next at a place, and who watches at night."""
        self._require(None, said.who)
        if said.site not in {site.id for site in self.fleet().sites}:
            raise Refused(f"There is no site {said.site!r}.")
        self._book.say_on_call(said, now_ms=now_ms)

    def put_out(self, messages: Iterable[Message], *, now_ms: int) -> int:
        """Put messages out, over one's own ways only."""
        wanted = list(messages)
        for message in wanted:
            self._require_way(message.way)
        return self._book.put_out(wanted, now_ms=now_ms)

    def outbox(
        self, *, person: str | None = None, notice: int | None = None, since_ms: int, limit: int = 500
    ) -> Sequence[Sent]:
        """Return messages since a moment: one's own, and of a notice that is seen whom it reached."""
        found = self._book.outbox(
            person=person if self._office or notice is not None else self._asker.name,
            notice=notice,
            since_ms=since_ms,
            limit=limit,
        )
        return [sent if self._own(sent.message.person) else _without_content(sent) for sent in found]

    def link(self, secret: str) -> ReachLink | None:
        """Return what a link is for: whoever holds it may know."""
        return self._book.link(secret)

    def take_by_link(self, secret: str, *, now_ms: int) -> Notice:
        """Write down that whom a link was sent to takes its notice: whoever holds it may."""
        return self._book.take_by_link(secret, now_ms=now_ms)


def _without_content(sent: Sent) -> Sent:
    """Return that somebody was told, and neither where nor in what words."""
    bare = sent.message.model_copy(update={"target": "", "subject": "", "body": "", "data": {}})
    return sent.model_copy(update={"message": bare})
