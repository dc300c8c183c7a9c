"""What needs somebody today, told at dawn, and tonight, told an hour before sunset."""

from collections.abc import Collection, Sequence
from datetime import date

import structlog

from services.domain import Fleet, Message, Notice, NoticeKind, Sent, Site, Way, in_urgency
from services.domain.telling import DigestTime, DigestTold, Member, Words
from services.errors import DependencyUnavailable
from services.notify.crew import Crew
from services.notify.suntimes import sun_times
from services.records.facade import Records
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, datetime_of

_log = structlog.get_logger(__name__)

BEFORE_DUSK_MS = HOUR_MS
"""How long before sunset the evening's digest comes: what must be charged or moved is done by daylight
(judgement)."""
LATEST_MS = 3 * HOUR_MS
"""How late a digest may still come, where nothing ran at its time (judgement)."""
LOOK_EVERY_MS = MINUTE_MS
_NOT_FOR: dict[str, frozenset[NoticeKind]] = {
    "cook": frozenset({"service_due", "system_trouble"}),
    "workshop": frozenset({"hold", "food_at_risk", "silence", "system_trouble"}),
}
"""What a role's digest leaves out."""
_OFFICE = frozenset({"manager", "administrator"})
_WITH_SERVICE = _OFFICE | {"workshop"}


class Digests:
    """Writes each digest once a day and way."""

    def __init__(self, records: Records, words: Words, *, page: str) -> None:
        """Take the records, what puts digests into words, and the address of the notices."""
        self._records = records
        self._words = words
        self._page = page
        self._looked_ms: int | None = None
        self._put: set[str] = set()

    def step(self, crew: Crew, now_ms: int) -> list[Message]:
        """Return digests whose time has come; looks once a minute."""
        if self._looked_ms is not None and 0 <= now_ms - self._looked_ms < LOOK_EVERY_MS:
            return []
        self._looked_ms = now_ms
        found: list[Message] = []
        due: set[str] = set()
        for way in crew.ways:
            member = None if way.person is None else crew.members.get(way.person)
            if member is None or not way.digests:
                continue
            for when, day, at_ms in _times(place_of(crew.fleet, member, way), now_ms):
                key = f"digest.{way.id}.{day:%Y-%m-%d}.{when}"
                if way.since_ms <= at_ms:
                    due.add(key)
                    if key not in self._put:
                        found += self._of_way(crew, member, way, when=when, key=key, now_ms=now_ms)
        self._put = due
        return found

    def _of_way(
        self, crew: Crew, member: Member, way: Way, *, when: DigestTime, key: str, now_ms: int
    ) -> list[Message]:
        try:
            written = self._words.digest(self._told(crew, member, way, when, now_ms), way.language)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - a digest that fails must not keep notices from being told
            _log.exception("notify.digest.failed", way=way.id, when=when)
            return []
        if written.nothing and not way.nothing_too:
            return []
        return [
            written.over(
                way,
                key=key,
                about="digest",
                data={"when": when, "nothing": written.nothing},
                not_after_ms=now_ms + 2 * LATEST_MS,
            )
        ]

    def _told(self, crew: Crew, member: Member, way: Way, when: DigestTime, now_ms: int) -> DigestTold:
        part = seen_part(crew.fleet, member, way)
        sites = {site.id for site in part.sites}
        notices = self._records.notices(now_ms=now_ms, over_since_ms=now_ms - DAY_MS // 2)
        own = [notice for notice in notices if _concerns(member, notice, sites)]
        return DigestTold(
            when=when,
            role=member.role,
            fleet=part,
            notices=in_urgency(notice for notice in own if notice.ended is None),
            passed=[notice for notice in own if notice.ended is not None],
            cards=[card for card in self._records.cards() if card.site in sites],
            due=self._words.due(sites, way.language) if member.role in _WITH_SERVICE else (),
            undelivered=self._undelivered(member, now_ms),
            now_ms=now_ms,
            page=self._page,
        )

    def _undelivered(self, member: Member, now_ms: int) -> Sequence[Sent]:
        """Return what reached nobody in the last day: everything for the office, else one's own."""
        person = None if member.role in _OFFICE and member.sites is None else member.name
        sent = self._records.outbox(person=person, since_ms=now_ms - DAY_MS)
        return [each for each in sent if each.state == "not_delivered"]


def place_of(fleet: Fleet, member: Member, way: Way) -> Site | None:
    """Return the place by whose sun somebody is told: that of the way, else a camp of theirs, else any."""
    places = [site for site in fleet.sites if member.sees(site.id) and way.site in {None, site.id}]
    return next((site for site in places if site.kind in {"camp", "lodge"}), next(iter(places), None))


def seen_part(fleet: Fleet, member: Member, way: Way) -> Fleet:
    """Return the places a digest over a way is about, and what stands in them."""
    sites = tuple(site for site in fleet.sites if member.sees(site.id) and way.site in {None, site.id})
    held = {site.id for site in sites}
    units = tuple(unit for unit in fleet.units if unit.site in held)
    return fleet.model_copy(update={"sites": sites, "units": units})


def _concerns(member: Member, notice: Notice, sites: Collection[str]) -> bool:
    if notice.kind in _NOT_FOR.get(member.role, ()):
        return False
    return notice.site in sites or (notice.kind == "system_trouble" and member.sees(notice.site))


def _times(site: Site | None, now_ms: int) -> list[tuple[DigestTime, date, int]]:
    """Return the digests whose time came lately."""
    if site is None:
        return []
    day = datetime_of(now_ms).astimezone(site.zone).date()
    rise_ms, set_ms = sun_times(site, day)
    times: tuple[tuple[DigestTime, date, int], ...] = (
        ("dawn", day, rise_ms),
        ("dusk", day, set_ms - BEFORE_DUSK_MS),
    )
    return [each for each in times if 0 <= now_ms - each[2] < LATEST_MS]
