"""Messages in words: what a person reads in a mail or an SMS about a notice, and a test."""

import re
import unicodedata
from collections.abc import Callable, Collection, Iterator, Sequence

from dashboards import text
from dashboards.digestwords import digest_words
from dashboards.language import LANGUAGES, Phrase, Reader, Table, _, food, read_by
from dashboards.noticewords import (
    CONSEQUENCES,
    KINDS,
    PRIORITIES,
    ROLES,
    TASKS,
    Names,
    about_words,
    by_words,
    cause_words,
)
from dashboards.radiowords import radio
from dashboards.wheres import names_of, zone_at
from services.domain import DECIDED, Notice, NoticeKind, UnitCard
from services.domain.telling import LINK, DigestTold, NoticeEvent, NoticeTold, Written
from services.timebase import MINUTE_MS

LONGEST_SUBJECT = 70
LONGEST_SHORT = 160
"""Letters of one SMS (3GPP TS 23.038: 160 of its basic alphabet)."""
_ABOUT_FOOD: frozenset[NoticeKind] = frozenset({"hold", "food_at_risk", "cut_out", "silence"})
_FIRST_WORDS: Table[NoticeEvent] = Table(
    {
        "told": "Told",
        "next": "Nobody has taken it",
        "everybody": "Nobody has taken it, everybody is told",
        "passed": "Passed",
        "taken": "Taken",
    }
)
_NO_LINK = Phrase("See and take it on the notices page of the box.")


Due = Callable[[Collection[str]], Sequence[str]]


class MessageWords:
    """Puts messages into words, in the language of whoever gets them."""

    def __init__(self, due: Due) -> None:
        """Take what tells which service is due at some places before they leave next, in words."""
        self._due = due

    def notice(self, told: NoticeTold, language: str) -> Written:
        """Return a message about a notice."""
        with read_by(_reader(language)):
            names = names_of(told.fleet)
            return Written(_subject(told, names), "\n".join(_body(told, names)), _short(told, names))

    def digest(self, told: DigestTold, language: str) -> Written:
        """Return a digest."""
        with read_by(_reader(language)):
            return digest_words(told)

    def due(self, sites: Collection[str], language: str) -> Sequence[str]:
        """Return what is to be done at some places before they leave next, each in words."""
        with read_by(_reader(language)):
            return self._due(sites)


def trial_words(language: str, *, who: str, house: str, at: str) -> Written:
    """Return a message by which somebody sees that a way works."""
    with read_by(_reader(language)):
        subject = _("Test: notices reach you here")
        lines = [
            _("%(who)s sent this from Bushlarder to see whether notices reach you here.", who=who),
            _("Nothing is wrong, and nothing is to be done."),
            _("Sent at %(time)s.", time=at),
            house,
        ]
        return Written(subject, "\n".join(line for line in lines if line), plain_letters(subject))


def _reader(language: str) -> Reader:
    return Reader(language if language in LANGUAGES else "en")


def _subject(told: NoticeTold, names: Names) -> str:
    notice = told.notice
    first = PRIORITIES[notice.priority] if told.event == "told" else _FIRST_WORDS[told.event]
    if told.event == "everybody":
        first = _FIRST_WORDS["next"]
    words = f"{first}: {KINDS[notice.kind]}, {about_words(notice, names)}"
    place = names.sites.get(notice.site or "")
    return clipped(" ".join((f"{words}, {place}" if place else words).split()), LONGEST_SUBJECT)


def clipped(words: str, longest: int) -> str:
    """Return words in at most so many letters, cut between two words where that is possible."""
    if len(words) <= longest:
        return words
    cut = words[: longest - 1]
    whole = cut.rpartition(" ")[0].rstrip(" ,:;.") if " " in cut[longest // 2 :] else cut
    return f"{whole}\N{HORIZONTAL ELLIPSIS}"


def _body(told: NoticeTold, names: Names) -> Iterator[str]:
    notice = told.notice
    zone = zone_at(told.fleet, notice.site)
    place = names.sites.get(notice.site or "")
    about = about_words(notice, names)
    yield f"{KINDS[notice.kind]}: {about}, {place}" if place else f"{KINDS[notice.kind]}: {about}"
    since = text.clock(notice.since, zone, told.now_ms)
    yield _("Since %(time)s (%(ago)s).", time=since, ago=text.age(notice.since, told.now_ms))
    if told.event == "passed":
        yield _passed(notice)
    else:
        yield from _stands(told, names)
    if told.event == "taken" and notice.taken_by is not None:
        yield _("%(who)s has taken it.", who=notice.taken_by)
    yield from _answers(told)


def _passed(notice: Notice) -> str:
    last = notice.lines[-1]
    if last.why == DECIDED:
        return _("It is over: a named person decided.")
    return " ".join(part for part in (_("It passed."), text.sentence(last.why)) if part)


def _stands(told: NoticeTold, names: Names) -> Iterator[str]:
    """Yield what was seen, what comes of it, by when, what to do, and what to say over the radio."""
    notice = told.notice
    card = next((each for each in told.cards if each.unit == notice.unit), None)
    if notice.late:
        yield food("Found in late data: it happened before anybody could hear of it.")
    yield cause_words(notice.cause)
    if card is not None and notice.kind in _ABOUT_FOOD:
        yield from _measured(card, told.now_ms)
    yield CONSEQUENCES[notice.consequence]
    by = by_words(notice, zone_at(told.fleet, notice.site), told.now_ms)
    do = _("%(who)s:", who=text.sentence(ROLES[notice.who]).removesuffix("."))
    yield ""
    yield f"{do} {TASKS[notice.what_to_do]}"
    if by:
        yield text.sentence(by)
    if notice.priority != "low":
        said = radio(notice, names, told.cards, told.now_ms)
        yield _(
            "On the radio: \N{LEFT DOUBLE QUOTATION MARK}%(words)s\N{RIGHT DOUBLE QUOTATION MARK}", words=said
        )
    if notice.kind in _ABOUT_FOOD:
        yield list(text.CAUTIONS)[1]
    yield ""


def _measured(card: UnitCard, now_ms: int) -> Iterator[str]:
    """Yield how warm it is now, and for how long it was too warm; silence is said, not a number."""
    reading_c = card.latest.get("cabinet_c")
    if isinstance(reading_c, int | float):
        yield _(
            "Cabinet %(degrees)s, %(ago)s.",
            degrees=text.degrees(float(reading_c)),
            ago=text.age(card.observed_at, now_ms),
        )
    if card.decided_c is not None and (card.minutes_above > 0 or card.minutes_unknown > 0):
        counted = {
            "minutes": text.minutes(card.minutes_above),
            "limit": text.degrees(card.decided_c),
            "unknown": text.minutes(card.minutes_unknown),
        }
        if card.decided_below:
            yield food("%(minutes)s below %(limit)s, %(unknown)s not known.", **counted)
        else:
            yield food("%(minutes)s above %(limit)s, %(unknown)s not known.", **counted)


def _answers(told: NoticeTold) -> Iterator[str]:
    """Yield who has it, and how to take it."""
    waited_min = (told.now_ms - told.told_ms) // MINUTE_MS
    if told.event == "next":
        yield _("Nobody has taken it for %(time)s, so you are told.", time=text.minutes(waited_min))
    elif told.event == "everybody":
        yield _("Nobody has taken it for %(time)s. Everybody is told now.", time=text.minutes(waited_min))
    elif told.event == "told":
        yield _("Nobody has taken it yet.")
    if told.event in {"told", "next", "everybody"} and told.link_length:
        yield _("Say that you see to it: %(link)s", link=LINK)
    if told.page:
        yield _("See it: %(page)s", page=told.page)
    elif told.event in {"told", "next", "everybody"}:
        yield _NO_LINK()


def _short(told: NoticeTold, names: Names) -> str:
    """Return all of it in one SMS: what, where, since when, what to do, and the link in place of more."""
    notice = told.notice
    room = LONGEST_SHORT - (told.link_length + 1 if told.link_length else 0)
    since = text.clock(notice.since, zone_at(told.fleet, notice.site), told.now_ms)
    words = _subject(told, names)
    if told.event == "taken" and notice.taken_by is not None:
        words = f"{words}. {_('%(who)s has taken it.', who=notice.taken_by)}"
    elif told.event != "passed":
        words = f"{words}, {since}. {TASKS[notice.what_to_do]}"
    shown = clipped_plain(words, room)
    return f"{shown} {LINK}" if told.link_length else shown


def clipped_plain(words: str, longest: int) -> str:
    """Return words in letters every phone has, at most so many."""
    return plain_letters(clipped(plain_letters(words), longest - 2))


_PLAIN = {"\N{EN DASH}": "-", "\N{MINUS SIGN}": "-", "°": "", "\N{HORIZONTAL ELLIPSIS}": "...", "²": "2"}


def plain_letters(words: str) -> str:
    """Return words in ASCII, accents dropped: one letter beyond the basic alphabet halves an SMS."""
    for sign, plain in _PLAIN.items():
        words = words.replace(sign, plain)
    bare = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode()
    return re.sub(r" {2,}", " ", bare)
