"""The days of one machine: each number as a line with its usual, and what is not known."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards.figures.health_svg import HEIGHT, WIDTH
from dashboards.healthwords import LEADING, compared_words, done_words, groups_of, not_known, told_by
from dashboards.language import Table, _
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from dashboards.pages.views import card_view
from services.api.desk import Desk
from services.api.healthdesk import UnitHealth
from services.api.routes import AtDesk, UnitPath
from services.timebase import DAY_MS, utc_day_start_ms

router = APIRouter(include_in_schema=False)

SPANS: Table[str] = Table({"60d": "60 days", "1y": "1 year", "2y": "2 years"})
_DAYS = {"60d": 60, "1y": 365, "2y": 730}


def _health(desk: Desk, unit: str, days: int) -> UnitHealth:
    end_ms = utc_day_start_ms(desk.now_ms()) + DAY_MS
    return desk.unit_health(unit, start_ms=end_ms - days * DAY_MS, end_ms=end_ms)


def health_facts(desk: Desk, unit: str) -> dict[str, Any]:
    """Return what the page of evidence tells of the last 60 days."""
    health = _health(desk, unit, _DAYS["60d"])
    return {
        "days": len(health.days),
        "groups": groups_of(health, only=LEADING),
        "compared": compared_words(health),
        "box": (WIDTH, HEIGHT),
    }


@router.get("/workshop/units/{unit}/health", response_class=HTMLResponse)
def health_page(request: Request, desk: AtDesk, unit: UnitPath, span: str = "60d") -> Response:
    """Show how a machine did, day by day."""
    if span not in SPANS:
        raise HTTPException(404, _("The spans are %(names)s.", names=", ".join(SPANS)))
    live = live_of(desk, unit)
    health = _health(desk, unit, _DAYS[span])
    return draw(
        request,
        "workshop_health.html",
        live=live,
        c=card_view(desk.card(unit), desk.now_ms()),
        spans=[(key, words, key == span) for key, words in SPANS.items()],
        days=len(health.days),
        groups=groups_of(health),
        unknown=not_known(health),
        told_by=told_by(health),
        compared=compared_words(health),
        done=done_words(health),
        box=(WIDTH, HEIGHT),
    )
