"""The workshop's due list: what cannot wait for the next trip, what can, and the numbers to plan by."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.benchwords import Fact, bench_facts
from dashboards.language import _
from dashboards.natural import natural
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from dashboards.pages.views import CardView, card_view, flag_words
from dashboards.pages.workshop_order import WORKS, Due, due_list, works_of
from dashboards.powerwords import cutout_view, evidence_words
from services.api.routes import AtDesk
from services.domain import Finding, UnitCard

router = APIRouter(include_in_schema=False)

_CUTOUTS_SHOWN = 2
KINDS = ("fridge", "freezer")
Choice = Annotated[str, Query(max_length=40)]


@dataclass(frozen=True, slots=True)
class FindingView:
    """One finding in words."""

    finding: str
    since: str
    due: str
    check: str
    evidence: tuple[tuple[str, str, str], ...]
    """Quantity, what was found against the threshold, and where the threshold comes from."""


@dataclass(frozen=True, slots=True)
class JobView:
    """One unit as the workshop sees it."""

    card: CardView
    reasons: str
    works: str
    findings: tuple[FindingView, ...]
    cutouts: tuple[str, ...]
    more_cutouts: int
    sensors: tuple[str, ...]
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class RestView:
    """One unit with nothing to do: no more than its row shows, as there are many."""

    unit: str
    name: str
    place: str
    state: str
    """Empty where it is in use."""
    heard_ms: int | None
    heard: str
    facts: tuple[Fact, ...]


def _rest_view(card: UnitCard, now_ms: int) -> RestView:
    return RestView(
        unit=card.unit,
        name=card.name,
        place=card.site_name or _("no place given"),
        state="" if card.state == "in_use" else text.STATES[card.state],
        heard_ms=card.observed_at,
        heard=text.age(card.observed_at, now_ms),
        facts=tuple(bench_facts(card.bench)),
    )


def finding_views(card: UnitCard, found: Iterable[Finding], now_ms: int) -> tuple[FindingView, ...]:
    """Return findings in words, with what they rest on."""
    zone = text.zone_of(card)
    return tuple(
        FindingView(
            finding=text.sentence(text.plain(each.finding)).removesuffix("."),
            since=text.clock(each.since, zone, now_ms),
            due="" if each.due is None else text.clock(each.due, zone, now_ms),
            check=text.sentence(each.check),
            evidence=tuple(evidence_words(row) for row in each.evidence),
        )
        for each in found
    )


def sensor_words(card: UnitCard) -> tuple[str, ...]:
    """Return which sensors are not to be trusted now."""
    return tuple(sorted({flag_words(flag) for flag in card.sensors if flag.end is None}))


def _job(due: Due, now_ms: int) -> JobView:
    card = due.card
    zone = text.zone_of(card)
    return JobView(
        card=card_view(card, now_ms),
        reasons=text.sentence(", ".join(due.reasons)),
        works=", ".join(words for key, words in WORKS.items() if key in due.works),
        findings=finding_views(card, card.service, now_ms),
        cutouts=tuple(
            cutout_view(each, zone=zone, now_ms=now_ms).words for each in card.cutouts[:_CUTOUTS_SHOWN]
        ),
        more_cutouts=max(0, len(card.cutouts) - _CUTOUTS_SHOWN),
        sensors=sensor_words(card),
        facts=tuple(bench_facts(card.bench)),
    )


def _kept(cards: Sequence[UnitCard], place: str, kind: str, work: str) -> list[UnitCard]:
    return [
        card
        for card in cards
        if place in {"", card.site} and kind in {"", card.kind} and (not work or work in works_of(card))
    ]


def _places(cards: Sequence[UnitCard]) -> list[tuple[str, str]]:
    """Return the places there are, by name."""
    return sorted(
        {(card.site, card.site_name or card.site) for card in cards if card.site}, key=lambda p: p[1]
    )


@router.get("/workshop", response_class=HTMLResponse)
def workshop(
    request: Request, desk: AtDesk, place: Choice = "", kind: Choice = "", work: Choice = ""
) -> Response:
    """Show units with something to do, the most urgent first, then the rest, then units nobody added."""
    live, now_ms = live_of(desk), desk.now_ms()
    every = desk.cards()
    cards = _kept(every, place, kind, work)
    due = due_list(cards, now_ms)
    busy = {each.card.unit for each in due}
    rest = sorted(
        (card for card in cards if card.unit not in busy),
        key=lambda c: (natural(c.site_name or ""), natural(c.name)),
    )
    waiting = [
        (w.unit, w.packs, text.age(w.first_ms, now_ms), text.age(w.last_ms, now_ms)) for w in desk.waiting()
    ]
    return draw(
        request,
        "workshop.html",
        live=live,
        groups=[
            (key, title, [_job(each, now_ms) for each in due if bool(each.reasons) is urgent])
            for key, title, urgent in (
                ("now", _("Before the next trip"), True),
                ("later", _("Can wait for the next service"), False),
            )
        ],
        rest=[_rest_view(card, now_ms) for card in rest],
        heads=[(fact.key, fact.name) for fact in _heads(rest)],
        waiting=waiting,
        places=_places(every),
        kinds=KINDS,
        works=list(WORKS.items()),
        chosen=(place, kind, work),
        counts=(len(due), len(every)),
    )


def _heads(rest: Sequence[UnitCard]) -> list[Fact]:
    """Return the columns of the table of the rest: those of a card that has its numbers."""
    known = next((card.bench for card in rest if card.bench is not None), None)
    return bench_facts(known)
