"""What messages are written from, and who is told: shapes shared by whoever tells and whoever words it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from services.domain._cards import UnitCard
from services.domain._fleet import Fleet
from services.domain._messages import Message, MessageAbout, Sent
from services.domain._notices import Notice, NoticeLineKind
from services.domain._reach import Way

NoticeEvent = Literal["told", "next", "everybody", "passed", "taken"]
"""Told to whom it is for; to the next, or to everybody, as nobody has taken it; over; taken."""
DigestTime = Literal["dawn", "dusk"]
TELLING: frozenset[NoticeLineKind] = frozenset({"raised", "again", "worse", "recurs", "shelf_ended"})
"""Lines after which a notice needs somebody who has not heard of it as it is now."""
EVERYBODY_TOLD = ".all"
"""How the key of a message ends by which somebody hears again, since everybody is told."""
LINK = "\N{MATHEMATICAL LEFT ANGLE BRACKET}link\N{MATHEMATICAL RIGHT ANGLE BRACKET}"
"""Stands in a message for the link that answers it, which is made as the message goes out: a link that works
for whoever holds it is kept nowhere."""


@dataclass(frozen=True, slots=True)
class Written:
    """A message in words."""

    subject: str
    body: str
    short: str
    """All of it in the length of one SMS, for ways that cost by the letter."""
    nothing: bool = False
    """Whether it says that there is nothing to do."""

    def over(self, way: Way, *, key: str, about: MessageAbout, **others: Any) -> Message:  # noqa: ANN401 - as declared
        """Return it as a message over one way; `others` are further fields of the message."""
        return Message(
            key=key,
            way=way.id,
            kind=way.kind,
            target=way.target,
            person=way.person,
            subject=self.subject,
            body=self.short if way.kind == "other" else self.body,
            about=about,
            **others,
        )


@dataclass(frozen=True, slots=True)
class NoticeTold:
    """A message about a notice, before it is in words."""

    event: NoticeEvent
    notice: Notice
    fleet: Fleet
    cards: Sequence[UnitCard]
    """Of its place, so that it can be said where food could go."""
    now_ms: int
    told_ms: int
    """When what is told now began to be told."""
    link_length: int = 0
    """How long the link that answers it will be; 0 where there is none."""
    page: str = ""
    """Address of its page; empty where no public address is set."""


@dataclass(frozen=True, slots=True)
class DigestTold:
    """What needs somebody today or tonight, before it is in words."""

    when: DigestTime
    role: str
    fleet: Fleet
    """With the places that are seen only."""
    notices: Sequence[Notice]
    """Not over, the most urgent first."""
    passed: Sequence[Notice]
    """Over since the last digest."""
    cards: Sequence[UnitCard]
    due: Sequence[str]
    """Service due before the next departure, each in words."""
    undelivered: Sequence[Sent]
    now_ms: int
    page: str = ""
    """Address of the notices; empty where no public address is set."""


class Words(Protocol):
    """Puts messages into words, in the language of whoever gets them."""

    def notice(self, told: NoticeTold, language: str) -> Written:
        """Return a message about a notice."""

    def digest(self, told: DigestTold, language: str) -> Written:
        """Return a digest."""

    def due(self, sites: Collection[str], language: str) -> Sequence[str]:
        """Return what is to be done at some places before they leave next, each in words."""


@dataclass(frozen=True, slots=True)
class ReachLink:
    """What a link in a message is for."""

    notice: int
    person: str
    language: str
    expires_ms: int
    used_ms: int | None


@dataclass(frozen=True, slots=True)
class Member:
    """Somebody who may be told: who, as what, of which places."""

    name: str
    role: str
    sites: frozenset[str] | None
    """None: every place."""

    def sees(self, site: str | None) -> bool:
        """Return whether they look after a place; what belongs to no place only who sees every one."""
        return self.sites is None or (site is not None and site in self.sites)
