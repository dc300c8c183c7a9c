"""The manager's page in words: who is needed where by when, then every other cabinet by its place."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import urgentwords
from dashboards.language import _, food, ngettext
from dashboards.natural import natural
from dashboards.pages.views import CardView, card_view
from dashboards.urgency import Need, Placed, in_order
from services.api.desk import Desk
from services.domain import Fleet, UnitCard

FOLDED_ABOVE = 60
"""Cabinets beside those that need somebody, above which places without anything to watch are folded."""


@dataclass(frozen=True, slots=True)
class Call:
    """A cabinet that needs somebody: who, by when, and what there is to do."""

    card: CardView
    mark: str
    word: str
    """What is wrong."""
    food: str
    """The verdict on the food where something else is wrong, empty where the food is."""
    who: str
    by: str
    task: str


@dataclass(frozen=True, slots=True)
class PlaceRows:
    """The cabinets of one place that need nobody."""

    key: str
    name: str
    summary: str
    rows: tuple[CardView, ...]
    open: bool


@dataclass(frozen=True, slots=True)
class FleetView:
    """The fleet page: the sentence on top, the calls, what has no result yet, the rest by place."""

    headline: str
    calls: tuple[Call, ...]
    unassessed: tuple[tuple[str, str], ...]
    """Name and place."""
    places: tuple[PlaceRows, ...]
    now_ms: int


def call_of(placed: Placed, now_ms: int) -> Call:
    """Return a cabinet that needs somebody in words."""
    card, need = placed.card, placed.need
    mark, word, food = urgentwords.lead(card, need)
    return Call(
        card=card_view(card, now_ms),
        mark=mark,
        word=word,
        food=food,
        who=urgentwords.who(card, need),
        by=urgentwords.by_words(card, need, now_ms),
        task=urgentwords.task(card, need),
    )


def places_of(rest: Sequence[Placed], now_ms: int) -> tuple[PlaceRows, ...]:
    """Return cabinets by place; a place with something to watch comes before one that is only cold."""
    groups: dict[tuple[str, str], list[Placed]] = {}
    for placed in rest:
        card = placed.card
        groups.setdefault((card.site or "", card.site_name or _("no place given")), []).append(placed)
    few = len(rest) <= FOLDED_ABOVE
    order = sorted(groups.items(), key=lambda item: (min(p.need for p in item[1]), natural(item[0][1])))
    return tuple(
        PlaceRows(
            key=site or "none",
            name=name,
            summary=_summary(found),
            rows=tuple(card_view(p.card, now_ms) for p in found),
            open=few or any(p.need is Need.WATCH for p in found),
        )
        for (site, name), found in order
    )


def _summary(found: Sequence[Placed]) -> str:
    count = Counter(p.need for p in found)
    told = ((Need.WATCH, _("to watch")), (Need.COLD, food("cold")), (Need.RESTING, _("not in use")))
    return ", ".join(f"{count[need]} {words}" for need, words in told if count[need])


def headline(urgent: int, judged: int, silent: int) -> str:
    """Return how many cabinets need somebody, and of how many nothing is known."""
    total = judged + silent
    if total == 0:
        return _("No cabinet has been added yet. Describe them in a fleet file: bushlarder fleet apply FILE.")
    if not judged:
        return _("Nothing is known yet of %(silent)s cabinets.", silent=silent)
    if urgent:
        lead = ngettext(
            "%(num)s of %(total)s needs somebody now.",
            "%(num)s of %(total)s need somebody now.",
            urgent,
            total=total,
        )
    else:
        lead = ngettext(
            "Nobody is needed now at %(num)s cabinet.", "Nobody is needed now at %(num)s cabinets.", judged
        )
    return _("%(lead)s Of %(silent)s nothing is known yet.", lead=lead, silent=silent) if silent else lead


def unassessed(desk: Desk, cards: Sequence[UnitCard], fleet: Fleet) -> tuple[tuple[str, str], ...]:
    """Return name and place of every cabinet nothing was worked out for."""
    names = {site.id: site.name for site in fleet.sites}
    return tuple(
        (unit.name or unit.id, names.get(unit.site or "", _("no place given")))
        for unit in desk.unassessed(cards)
    )


def fleet_view(desk: Desk) -> FleetView:
    """Return the fleet, the cabinet that needs somebody most first."""
    now_ms, cards = desk.now_ms(), desk.cards()
    placed = in_order(cards)
    calls = [p for p in placed if p.need.needs_somebody]
    silent = unassessed(desk, cards, desk.fleet())
    return FleetView(
        headline=headline(len(calls), len(placed), len(silent)),
        calls=tuple(call_of(p, now_ms) for p in calls),
        unassessed=silent,
        places=places_of([p for p in placed if not p.need.needs_somebody], now_ms),
        now_ms=now_ms,
    )


__all__ = ["Call", "FleetView", "PlaceRows", "call_of", "fleet_view", "headline", "places_of"]
