"""Sends a test over ways to reach people, and says of each what happened and what to do next."""

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

from dashboards.messagewords import trial_words
from services.domain import Fleet, Way, WayKind
from services.notify.delivering import Sender
from services.notify.failures import NotTakenError
from services.timebase import SECOND_MS, datetime_of

_KINDS: dict[WayKind, str] = {"mail": "mail", "web": "web address", "other": "service", "lamp": "lamp"}
_LIFE_MS = 60 * SECOND_MS
NOT_READ = (
    "Taken is not yet read: look whether the message is there, also among what was sorted out as unwanted."
)


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a test over one way."""

    way: Way
    taken: bool
    words: str
    todo: str = ""

    def lines(self) -> Iterator[str]:
        """Yield what is printed."""
        whose = self.way.person or self.way.site
        about = f"{_KINDS[self.way.kind]} {self.way.masked}"
        about = about if whose is None else f"{whose}, {about}"
        yield f"{'taken' if self.taken else 'NOT TAKEN':<9}  {about}"
        yield f"           {self.words}"
        if self.todo:
            yield f"           {self.todo}"


def kind_of(target: str) -> WayKind:
    """Return what kind of way an address is."""
    scheme = urlsplit(target).scheme
    if "://" in target:
        return "web" if scheme in {"http", "https"} else "other"
    return "mail" if "@" in target else "lamp"


def way_to(target: str, kind: WayKind | None) -> Way:
    """Return a way that nobody wrote down."""
    return Way(id=0, person=None, site=None, kind=kind or kind_of(target), target=target)


def attempt(
    ways: Sequence[Way], senders: Mapping[WayKind, Sender], fleet: Fleet, *, who: str, now_ms: int
) -> Iterator[Tried]:
    """Send a test over each way, one after the other, and yield what came of it."""
    house = ", ".join(site.name for site in fleet.sites[:3]) or "Bushlarder"
    for number, way in enumerate(ways):
        at = f"{datetime_of(now_ms):%Y-%m-%d %H:%M} UTC"
        written = trial_words(way.language, who=who, house=house, at=at)
        key = f"test.{way.id}.{now_ms}.{number}"
        message = written.over(way, key=key, about="test", not_after_ms=now_ms + _LIFE_MS)
        try:
            yield Tried(way, True, senders[way.kind](message))  # noqa: FBT003 - it was
        except NotTakenError as error:
            yield Tried(way, False, error.words, error.todo)  # noqa: FBT003 - it was not


def tell(tried: Iterator[Tried]) -> bool:
    """Print what came of each test as it comes; return whether all were taken."""
    every = []
    for each in tried:
        every.append(each.taken)
        for line in each.lines():
            print(line, flush=True)
    if any(every):
        print(NOT_READ)
    if not all(every):
        print(f"{every.count(False)} of {len(every)} were not taken.", file=sys.stderr)
    return all(every)
