"""Which unit the workshop takes first: what cannot wait for the next trip, and what can."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboards import text
from dashboards.language import Table, _, dynamic, ngettext
from dashboards.natural import natural
from services.domain import UnitCard
from services.timebase import DAY_MS

SOON_MS = 2 * DAY_MS
"""What is due within two days does not wait for the trip after the next (judgement)."""
WEEK_MS = 7 * DAY_MS
_MOST_ON_CARD = 5

WORKS: Table[str] = Table(
    {
        "battery": "Battery and charging",
        "wiring": "Wiring and settings",
        "cooling": "Cooling",
        "sensor": "Sensors",
        "other": "Something else",
    }
)
"""Kinds of work a due list can be narrowed to."""

_BY_FINDING = {
    "supply path resistance high": "wiring",
    "battery falls fast": "battery",
    "absorption voltage within minutes": "battery",
    "bank of a stored unit runs down": "battery",
    "compressor hardly ever stops": "cooling",
    "cabinet never reaches its set point": "cooling",
    "over-temperature stops": "cooling",
}
_BY_CAUSE = {
    "battery_flat": "battery",
    "battery_weak": "battery",
    "charging": "battery",
    "wiring": "wiring",
    "limits": "wiring",
    "supply_interrupted": "wiring",
    "unit": "cooling",
    "unknown": "other",
}
_REPEATED = "repeated cut-outs"
"""Its kind of work is that of the cut-outs themselves."""
_GIVES_WAY = frozenset(name for name, work in _BY_FINDING.items() if work == "cooling") | {
    "battery falls fast"
}
"""Findings of a unit that may not get through a trip (judgement)."""


@dataclass(frozen=True, slots=True)
class Due:
    """A unit on the due list."""

    card: UnitCard
    works: frozenset[str]
    reasons: tuple[str, ...]
    """Why it cannot wait; empty where it can."""
    due_ms: int | None
    """The earliest day one of its findings names."""


def works_of(card: UnitCard) -> frozenset[str]:
    """Return the kinds of work a unit asks for; none where there is nothing to do."""
    found = {
        _BY_FINDING.get(finding.finding, "other") for finding in card.service if finding.finding != _REPEATED
    }
    found |= {_BY_CAUSE[cutout.cause] for cutout in card.cutouts}
    if any(flag.end is None for flag in card.sensors):
        found.add("sensor")
    if not found and (card.service or card.cut_out_now):
        found.add("other")
    return frozenset(found)


def due_of(card: UnitCard, now_ms: int) -> Due | None:
    """Return a unit's place on the due list, None where nothing is to be done."""
    works = works_of(card)
    if not works:
        return None
    due_ms = min((found.due for found in card.service if found.due is not None), default=None)
    return Due(card, works, tuple(_reasons(card, due_ms, now_ms)), due_ms)


def _reasons(card: UnitCard, due_ms: int | None, now_ms: int) -> Iterable[str]:
    if due_ms is not None and due_ms <= now_ms + SOON_MS:
        yield _("due %(time)s", time=text.clock(due_ms, text.zone_of(card), now_ms))
    if card.state != "in_use":
        return
    if card.cut_out_now:
        yield _("stands still for want of power")
    recent = sum(cutout.start >= now_ms - WEEK_MS for cutout in card.cutouts)
    if recent >= _MOST_ON_CARD:
        yield _("cut out five times and more in seven days")
    elif recent:
        yield ngettext("cut out %(num)s time in seven days", "cut out %(num)s times in seven days", recent)
    for finding in card.service:
        if finding.finding in _GIVES_WAY:
            yield dynamic(text.plain(finding.finding))
    if any(flag.end is None and flag.channel in {"cabinet", "cabinet_c"} for flag in card.sensors):
        yield _("its cabinet sensor is not to be trusted")


def order(due: Due) -> tuple[object, ...]:
    """Return the key that puts the most urgent unit first."""
    card = due.card
    return (
        not due.reasons,
        not card.cut_out_now,
        float("inf") if due.due_ms is None else due.due_ms,
        -len(due.reasons),
        -len(card.cutouts),
        -len(card.service),
        natural(card.site_name or ""),
        natural(card.name),
    )


def due_list(cards: Sequence[UnitCard], now_ms: int) -> list[Due]:
    """Return the units with something to do, the most urgent first."""
    return sorted((due for card in cards if (due := due_of(card, now_ms)) is not None), key=order)
