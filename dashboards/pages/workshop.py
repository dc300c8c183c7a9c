"""The workshop's page: which units are due, in what order, with what evidence."""

from dataclasses import dataclass
from datetime import UTC
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.pages.render import draw
from dashboards.pages.views import CardView, card_view
from dashboards.powerwords import CutoutView, battery_words, cutout_view, evidence_words
from services.api.desk import Desk, NotAssessedError
from services.api.routes import AtDesk
from services.domain import UnitCard

router = APIRouter(include_in_schema=False)


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
    findings: tuple[FindingView, ...]
    cutouts: tuple[CutoutView, ...]
    details: tuple[tuple[str, str], ...]


def _details(desk: Desk, card: UnitCard) -> list[tuple[str, str]]:
    try:
        analysis = desk.analysis(card.unit)
    except NotAssessedError:
        analysis = {}
    readings = [
        (text.CHANNELS[column][0], text.value_words(column, value))
        for column, value in card.latest.items()
        if column in text.CHANNELS
    ]
    return [*battery_words(analysis), ("Set point by file", text.degrees(card.set_point_c)), *readings]


def _job(desk: Desk, card: UnitCard, now_ms: int) -> JobView:
    zone = ZoneInfo(card.timezone)
    findings = tuple(
        FindingView(
            finding=text.sentence(text.plain(found.finding)).removesuffix("."),
            since=text.clock(found.since, zone, now_ms),
            due="" if found.due is None else text.clock(found.due, zone, now_ms),
            check=text.sentence(found.check),
            evidence=tuple(evidence_words(row) for row in found.evidence),
        )
        for found in card.service
    )
    return JobView(
        card=card_view(card, now_ms),
        findings=findings,
        cutouts=tuple(cutout_view(cutout, zone=zone, now_ms=now_ms) for cutout in card.cutouts),
        details=tuple(_details(desk, card)),
    )


def _order(card: UnitCard) -> tuple[object, ...]:
    due = min((f.due for f in card.service if f.due is not None), default=float("inf"))
    return (
        not card.cut_out_now,
        due,
        -len(card.service),
        -len(card.cutouts),
        card.site_name or "",
        card.name,
    )


@router.get("/workshop", response_class=HTMLResponse)
def workshop(request: Request, desk: AtDesk) -> Response:
    """Show units with something to look at first, then the rest, then units nobody has added."""
    now_ms = desk.now_ms()
    cards = sorted(desk.cards(), key=_order)
    due = [card for card in cards if card.service or card.cutouts or card.cut_out_now]
    rest = [card for card in cards if card not in due]
    waiting = [
        (w.unit, w.packs, text.age(w.first_ms, now_ms), text.age(w.last_ms, now_ms)) for w in desk.waiting()
    ]
    return draw(
        request,
        "workshop.html",
        jobs=[_job(desk, card, now_ms) for card in due],
        rest=[card_view(card, now_ms) for card in rest],
        waiting=waiting,
        made=text.stamp(now_ms, UTC),
        now_ms=now_ms,
    )
