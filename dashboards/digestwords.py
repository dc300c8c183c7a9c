"""The digest at dawn and at dusk in words: what needs somebody, or that nothing does."""

from collections.abc import Iterator, Sequence

from dashboards import text
from dashboards.language import _, food, ngettext
from dashboards.noticewords import KINDS, PRIORITIES, TASKS, Names, about_words, by_words
from dashboards.urgency import Need, in_order, stops_ms
from dashboards.wheres import names_of, zone_at
from services.domain import Notice, NoticeKind, UnitCard
from services.domain.telling import DigestTold, Written

MOST_LINES = 12
"""Of a part of a digest; the rest is counted."""
_BY_NOTICE: dict[Need, frozenset[NoticeKind]] = {
    Need.DISCARD: frozenset({"hold"}),
    Need.HOLD: frozenset({"hold"}),
    Need.NOT_KNOWN: frozenset({"silence", "sensor_doubt"}),
    Need.CUT_OUT: frozenset({"cut_out", "battery_short", "food_at_risk"}),
    Need.BATTERY: frozenset({"cut_out", "battery_short"}),
}
"""Kinds of notices that tell already what a cabinet needs."""


def digest_words(told: DigestTold) -> Written:
    """Return a digest; that nothing needs anybody is said only as far as anything is known."""
    names = names_of(told.fleet)
    needs = [n for n in told.notices if n.state in {"new", "acknowledged"}]
    cabinets = list(_cabinet_lines(told, needs))
    parts = [
        *_part(_("Needs somebody:"), [_notice_line(n, told, names) for n in needs]),
        *_part(_("Cabinets:"), cabinets),
        *_part(_("Passed, and nobody has seen it:"), [_brief(n, names) for n in _unseen(told)]),
        *_part(_("Over since the last digest:"), [_brief(n, names) for n in told.passed]),
        *_part(_("Put aside:"), [_brief(n, names) for n in told.notices if n.state == "shelved"]),
        *_part(_("Due before the next departure:"), list(told.due)),
        *_part(_("Messages that were not delivered:"), _undelivered(told)),
    ]
    count = len(needs) + len(cabinets) + len(told.due) + bool(told.undelivered)
    subject = _subject(told, count)
    head = [subject, ""]
    if not count:
        head = [subject, _nothing(told), ""]
    foot = [told.page] if told.page else []
    return Written(subject, "\n".join([*head, *parts, *foot]).rstrip(), subject, nothing=not count)


def _subject(told: DigestTold, count: int) -> str:
    """Return how much needs somebody; each time of day has its own sentence."""
    if told.when == "dawn":
        if not count:
            return _("Today: nothing needs you, as far as is known")
        return ngettext("Today: %(num)s thing needs you", "Today: %(num)s things need you", count)
    if not count:
        return _("Tonight: nothing needs you, as far as is known")
    return ngettext("Tonight: %(num)s thing needs you", "Tonight: %(num)s things need you", count)


def _nothing(told: DigestTold) -> str:
    """Return how many cabinets that rests on: nothing heard of is never nothing to do."""
    cards = [card for card in told.cards if card.state == "in_use"]
    return ngettext(
        "%(num)s cabinet is in use and was looked at.",
        "%(num)s cabinets are in use and were looked at.",
        len(cards),
    )


def _part(head: str, lines: Sequence[str]) -> list[str]:
    if not lines:
        return []
    shown = [f"- {line}" for line in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        shown.append(_("- and %(num)s more", num=len(lines) - MOST_LINES))
    return [head, *shown, ""]


def _notice_line(notice: Notice, told: DigestTold, names: Names) -> str:
    zone = zone_at(told.fleet, notice.site)
    by = by_words(notice, zone, told.now_ms)
    taken = "" if notice.taken_by is None else _("taken by %(who)s", who=notice.taken_by)
    if notice.state == "new":
        taken = _("nobody has taken it")
    since = _("since %(since)s", since=text.clock(notice.since, zone, told.now_ms))
    first = ", ".join(part for part in (PRIORITIES[notice.priority], by, since, taken) if part)
    return f"{_brief(notice, names)} ({first}). {TASKS[notice.what_to_do]}"


def _brief(notice: Notice, names: Names) -> str:
    place = names.sites.get(notice.site or "")
    about = about_words(notice, names)
    return f"{KINDS[notice.kind]}: {about}, {place}" if place else f"{KINDS[notice.kind]}: {about}"


def _unseen(told: DigestTold) -> list[Notice]:
    return [notice for notice in told.notices if notice.state == "returned"]


def _cabinet_lines(told: DigestTold, needs: Sequence[Notice]) -> Iterator[str]:
    """Yield cabinets that are too warm, not known, or will stop, of which no notice tells already."""
    told_of = {(unit, notice.kind) for notice in needs for unit in notice.units}
    named = {unit.id for unit in told.fleet.units}
    for placed in in_order(card for card in told.cards if card.unit in named):
        watched = placed.need is Need.WATCH
        known = any((placed.card.unit, kind) in told_of for kind in _BY_NOTICE.get(placed.need, ()))
        if (placed.need.needs_somebody or watched) and not known:
            yield _cabinet_line(placed.need, placed.card, told)
    for unit in told.fleet.units:
        if unit.state == "in_use" and unit.id not in {card.unit for card in told.cards}:
            yield _("%(unit)s: not known, never heard", unit=unit.name or unit.id)


def _cabinet_line(need: Need, card: UnitCard, told: DigestTold) -> str:
    place = "" if card.site_name is None else f", {card.site_name}"
    words = text.word_of(card, card.standing)
    if need is Need.CUT_OUT:
        words = food("stopped, no power")
    elif need is Need.BATTERY:
        at_ms = stops_ms(card)
        words = food("battery will not last the night")
        if at_ms != float("inf"):
            at = text.clock(at_ms, text.zone_of(card), told.now_ms)
            words = food("battery may stop it from %(time)s on", time=at)
    reason = text.sentence(card.standing_why) if need not in {Need.CUT_OUT, Need.BATTERY} else ""
    return " ".join(part for part in (f"{card.name}{place}: {words}.", reason) if part)


def _undelivered(told: DigestTold) -> list[str]:
    """Return to whom something did not get through, and why, each once with how often."""
    counted: dict[tuple[str, str], int] = {}
    for sent in told.undelivered:
        key = (sent.message.person or _("a thing of the place"), sent.why)
        counted[key] = counted.get(key, 0) + 1
    return [
        ngettext(
            "%(who)s, %(num)s message: %(why)s", "%(who)s, %(num)s messages: %(why)s", num, who=who, why=why
        )
        for (who, why), num in counted.items()
    ]
