"""Tells who is to be told: from what stands, and from what became of it, to messages in the outbox.

What stands decides, not what happened: each look works out every message that is due by now, by keys that
never change, and the outbox takes each key once. So a restart tells nothing twice and forgets nothing, and
what quiet hours kept back comes when they are over, if it still stands and nobody has taken it.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import structlog

from services.domain import BEGINS, DECIDED, Message, Notice, NoticeLine, Sent, Way
from services.domain.telling import EVERYBODY_TOLD, TELLING, NoticeEvent, NoticeTold, Words, Written
from services.errors import DependencyUnavailable
from services.notify.crew import Crew
from services.notify.digest import Digests
from services.notify.lamps import TEST_SHOWN_MS, Pattern, lamp_message, pattern_of
from services.notify.linking import length_at
from services.records.facade import Records
from services.records.reachbook import MovedNotice
from services.timebase import HOUR_MS, MINUTE_MS

_log = structlog.get_logger(__name__)

KEPT_MS = {"told": 24 * HOUR_MS, "passed": 6 * HOUR_MS}
"""When telling has lost its use: that something stands, and that it is over or taken (judgement)."""


class Telling:
    """Writes what is to be told into the outbox."""

    def __init__(self, records: Records, words: Words, *, public_url: str | None = None) -> None:
        """Take the records, what puts messages into words, and where the pages are found from outside."""
        self._records = records
        self._words = words
        self._base = None if public_url is None else public_url.rstrip("/")
        self._put: set[str] = set()
        """Keys that are in the outbox already, of what stands."""
        self._lamps: dict[int, tuple[Pattern, int]] = {}
        """What each lamp was told last, and after which test."""
        self._digests = Digests(records, words, page=self._page())

    def _page(self, number: int | None = None) -> str:
        if self._base is None:
            return ""
        return f"{self._base}/notices" + ("" if number is None else f"/{number}")

    def step(self, now_ms: int) -> int:
        """Look once; return how many messages were written."""
        records = self._records
        crew = Crew.of(records.fleet(), records.accounts(), records.ways(), records.on_calls())
        lines, up_to = self._lines()
        standing = [notice for notice in records.notices(now_ms=now_ms) if notice.active]
        messages = [
            *self._standing(crew, standing, now_ms),
            *self._moved(crew, lines, now_ms),
            *self._shown(crew, standing, up_to, now_ms),
            *self._digests.step(crew, now_ms),
        ]
        count = records.put_out(messages, now_ms=now_ms) if messages else 0
        self._put |= {message.key for message in messages}
        if lines:
            records.set_told_up_to(up_to)
        return count

    def _lines(self) -> tuple[Sequence[MovedNotice], int]:
        """Return what became of notices since the last look; at the very first nothing before it is told."""
        up_to = self._records.told_up_to()
        if up_to is None:
            newest = self._records.newest_notice_line()
            if newest:
                self._records.set_told_up_to(newest)
            return (), newest
        lines = self._records.notice_lines_after(up_to)
        return lines, lines[-1].no if lines else up_to

    # What stands.

    def _standing(self, crew: Crew, notices: Iterable[Notice], now_ms: int) -> list[Message]:
        """Return every message that is due of what stands and nobody has taken."""
        found: list[Message] = []
        due: set[str] = set()
        for notice in notices:
            if notice.state == "new" and not notice.kept_back:
                keys, messages = self._of_notice(crew, notice, now_ms)
                due |= keys
                found += messages
        self._put &= due
        return found

    def _of_notice(self, crew: Crew, notice: Notice, now_ms: int) -> tuple[set[str], list[Message]]:
        line = _telling_line(notice)
        keys: set[str] = set()
        found: dict[int, Message] = {}
        for number, step in enumerate(crew.steps(notice, now_ms=now_ms)):
            due_ms = line.at + step.after_min * MINUTE_MS
            if due_ms > now_ms:
                break
            for way in step.ways:
                first = f"n{notice.id}.{line.id}.{way.id}"
                again = step.everybody and first in keys
                key = f"{first}{EVERYBODY_TOLD}" if again else first
                if key in keys or way.since_ms > due_ms:
                    continue
                keys.add(key)
                if key in self._put or way.id in found or crew.is_quiet(way, notice, now_ms):
                    continue
                event: NoticeEvent = "everybody" if again else "told" if step.after_min == 0 else "next"
                if again and self._told_late(notice, first, due_ms):
                    self._put.add(key)
                    continue
                found[way.id] = self._message(
                    crew, notice, way, key=key, event=event, now_ms=now_ms, step=number
                )
        return keys, list(found.values())

    def _told_late(self, notice: Notice, first: str, due_ms: int) -> bool:
        """Return whether somebody heard only after everybody was to hear: once is enough then."""
        sent = self._records.outbox(notice=notice.id, since_ms=notice.told)
        return any(each.message.key == first and each.put_ms >= due_ms for each in sent)

    # What became of it.

    def _moved(self, crew: Crew, lines: Iterable[MovedNotice], now_ms: int) -> list[Message]:
        """Return what is told of notices that passed, or were taken, to those who were told of them."""
        newest = {line.notice: line for line in lines if line.kind in {"returned", "acknowledged"}}
        found: list[Message] = []
        for line in newest.values():
            notice = self._records.notice(line.notice, now_ms=now_ms)
            if notice is None:
                continue
            told = self._told_of(notice, line)
            if line.kind == "returned" and not notice.active:
                found += self._over(crew, notice, told, line, now_ms)
            elif line.kind == "acknowledged" and notice.taken_by is not None:
                found += self._taken(crew, notice, told, line, now_ms)
        return found

    def _told_of(self, notice: Notice, line: MovedNotice) -> list[Sent]:
        """Return what was told of a notice since it was last raised."""
        begun = [each.at for each in notice.lines if each.kind in BEGINS]
        since_ms = max((at for at in begun if at <= line.at_ms), default=notice.told)
        sent = self._records.outbox(notice=notice.id, since_ms=since_ms)
        return [each for each in sent if each.message.about == "notice"]

    def _over(
        self, crew: Crew, notice: Notice, told: Sequence[Sent], line: MovedNotice, now_ms: int
    ) -> list[Message]:
        return [
            self._message(
                crew,
                notice,
                way,
                key=f"n{notice.id}.{line.no}.{way.id}.over",
                event="passed",
                now_ms=now_ms,
            )
            for way in _ways_of(crew, told)
            if not crew.is_quiet(way, notice, now_ms)
        ]

    def _taken(
        self, crew: Crew, notice: Notice, told: Sequence[Sent], line: MovedNotice, now_ms: int
    ) -> list[Message]:
        """Tell those who were told who has taken it, where it went beyond the first; else the digest does."""
        if all(each.message.data.get("step", 0) == 0 for each in told):
            return []
        return [
            self._message(
                crew,
                notice,
                way,
                key=f"n{notice.id}.{line.no}.{way.id}.taken",
                event="taken",
                now_ms=now_ms,
            )
            for way in _ways_of(crew, told)
            if way.person != notice.taken_by and not crew.is_quiet(way, notice, now_ms)
        ]

    # Lamps.

    def _shown(self, crew: Crew, standing: Sequence[Notice], line: int, now_ms: int) -> list[Message]:
        """Return what lamps and sirens are told where what they show has changed, or a test is over."""
        found = []
        names = {site.id: site.name for site in crew.fleet.sites}
        lamps = [way for way in crew.ways if way.kind == "lamp"]
        tested = self._tested(now_ms) if lamps else {}
        for way in lamps:
            pattern = pattern_of(way, standing, lambda notice, way=way: crew.is_quiet(way, notice, now_ms))  # type: ignore[misc]  # bound at once
            shown = (pattern, tested.get(way.id, 0))
            if self._lamps.get(way.id) != shown:
                site = names.get(way.site or "", "")
                found.append(
                    lamp_message(way, pattern, line=line, site=site, now_ms=now_ms, after_test_ms=shown[1])
                )
                self._lamps[way.id] = shown
        self._lamps = {way.id: self._lamps[way.id] for way in lamps}
        return found

    def _tested(self, now_ms: int) -> dict[int, int]:
        """Return when the newest test of each lamp was asked for, those that have been seen by now."""
        sent = self._records.outbox(since_ms=now_ms - HOUR_MS)
        tests = (s for s in reversed(sent) if s.message.about == "test" and s.message.kind == "lamp")
        return {s.message.way: s.put_ms for s in tests if now_ms - s.put_ms >= TEST_SHOWN_MS}

    # Messages.

    def _written(self, told: NoticeTold, language: str) -> Written:
        """Return a message in words; a fault in the words must not keep anybody from hearing."""
        try:
            return self._words.notice(told, language)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - whatever it is, somebody has to hear
            _log.exception("notify.words.failed", notice=told.notice.id, language=language)
            return _bare(told.notice, told.page)

    def _message(
        self,
        crew: Crew,
        notice: Notice,
        way: Way,
        *,
        key: str,
        event: NoticeEvent,
        now_ms: int,
        step: int = 0,
    ) -> Message:
        linked = self._base is not None and way.person is not None and event in {"told", "next", "everybody"}
        told = NoticeTold(
            event=event,
            notice=notice,
            fleet=crew.fleet,
            cards=[card for card in self._records.cards() if card.site == notice.site],
            now_ms=now_ms,
            told_ms=_telling_line(notice).at,
            link_length=length_at(self._base) if linked else 0,
            page=self._page(notice.id),
        )
        written = self._written(told, way.language)
        over = event in {"passed", "taken"}
        return written.over(
            way,
            key=key,
            about="over" if over else "notice",
            priority=notice.priority,
            notice=notice.id,
            data={**_data(told, way), "step": 0 if event == "told" else max(1, step)},
            not_after_ms=now_ms + KEPT_MS["passed" if over else "told"],
        )


def _bare(notice: Notice, page: str) -> Written:
    """Return the least there is to say of a notice, in no language's words but the service's own."""
    subject = f"Notice {notice.id}: {notice.kind.replace('_', ' ')}, {', '.join(notice.units)}"[:70]
    return Written(subject, f"{subject}\n{notice.cause}\n{page}".rstrip(), subject)


def _telling_line(notice: Notice) -> NoticeLine:
    """Return the line by which a notice last came to need somebody."""
    return next(line for line in reversed(notice.lines) if line.kind in TELLING)


def _ways_of(crew: Crew, told: Iterable[Sent]) -> list[Way]:
    """Return the ways over which something was told, those that are still in use."""
    numbers = {each.message.way for each in told}
    return [way for way in crew.ways if way.id in numbers and way.kind != "lamp"]


def _data(told: NoticeTold, way: Way) -> Mapping[str, Any]:
    """Return what a machine is told; a person's way needs the language for its link only."""
    if way.kind != "web":
        return {"language": way.language}
    decided = told.event == "passed" and told.notice.lines[-1].why == DECIDED
    return {
        **told.notice.model_dump(mode="json"),
        "event": told.event,
        "decided": decided,
        "page": told.page,
        "language": way.language,
    }
