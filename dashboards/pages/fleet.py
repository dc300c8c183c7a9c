"""The manager's page: who needs somebody now, and by when."""

from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.helpcalls import call_words
from dashboards.pages.fleet_views import fleet_view
from dashboards.pages.lively import live_of
from dashboards.pages.people import remembered
from dashboards.pages.render import draw
from services.api.access import HANDS, asker_of
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import StatementRow

router = APIRouter(include_in_schema=False)

_EVERY_MS = 1_000
"""The page that lies open: a second, where the link is quick enough."""


@router.get("/", response_class=HTMLResponse)
@router.get("/fleet", response_class=HTMLResponse)
def fleet(request: Request, desk: AtDesk) -> Response:
    """Show every cabinet, the one that needs somebody most first."""
    live = live_of(desk, every_ms=_EVERY_MS)
    return draw(
        request,
        "fleet.html",
        fleet=fleet_view(desk),
        live=live,
        calls=_calls(desk),
        can_answer=asker_of(request).role in HANDS,
        people=desk.people(),
        who=remembered(request),
    )


def _calls(desk: Desk) -> list[tuple[StatementRow, str, str]]:
    """Return who asks for help, in words, and since when by the clock of the place."""
    now_ms, units = desk.now_ms(), desk.fleet().units
    names = {unit.id: unit.name or unit.id for unit in units}
    sites = {site.id: site for site in desk.sites()}
    zones = {unit.id: ZoneInfo(sites[unit.site].timezone) for unit in units if unit.site in sites}
    return [
        (call, call_words(call, names), text.clock(call.t_ms, zones.get(call.unit, ZoneInfo("UTC")), now_ms))
        for call in desk.calls_for_help()
    ]
