"""The cook's page: one place, huge words, what to do now; whole in one answer, no script needed."""

from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.advice import steps
from dashboards.pages.people import remembered
from dashboards.pages.render import draw_phone
from dashboards.pages.views import card_view
from dashboards.urgency import in_order
from services.api.routes import AtDesk
from services.domain import Verdict, worst

router = APIRouter(include_in_schema=False)


@router.get("/camp", response_class=HTMLResponse)
def choose(request: Request, desk: AtDesk) -> Response:
    """Let somebody choose where they are."""
    cards = desk.cards()
    unassessed = desk.unassessed(cards)
    sites = []
    for site in desk.sites():
        here = [card for card in cards if card.site == site.id]
        unknown = any(unit.site == site.id for unit in unassessed)
        found = [card.standing for card in here if not text.is_resting(card, card.standing)]
        verdict = worst([*found, Verdict.NO_DATA] if unknown else found)
        resting = bool(here) and not found and not unknown
        words = text.RESTING_WORD if resting else text.WORDS[verdict]
        sites.append(
            {
                "id": site.id,
                "name": site.name,
                "verdict": "resting" if resting else verdict.value,
                "words": words,
            }
        )
    return draw_phone(request, "camps.html", sites=sites)


@router.get("/camp/{site}", response_class=HTMLResponse)
def camp(request: Request, desk: AtDesk, site: str, noted: str = "") -> Response:
    """Show the cabinets of one place, the worst first."""
    place = next((s for s in desk.sites() if s.id == site), None)
    if place is None:
        raise HTTPException(404, f"There is no place {site!r}.")
    now_ms = desk.now_ms()
    cards = desk.cards()
    zone = ZoneInfo(place.timezone)
    here = [placed.card for placed in in_order(card for card in cards if card.site == site)]
    names = {card.unit: card.name for card in here}
    return draw_phone(
        request,
        "camp.html",
        site=place,
        rows=[(card_view(card, now_ms), steps(card, cards)) for card in here],
        unassessed=[unit.name or unit.id for unit in desk.unassessed(cards) if unit.site == site],
        people=desk.people(),
        who=remembered(request),
        noted=names.get(noted, ""),
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        zone=text.offset_name(now_ms, zone),
    )
