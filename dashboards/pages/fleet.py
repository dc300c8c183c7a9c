"""The manager's page: who needs somebody now, and by when."""

from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.helpcalls import call_words
from dashboards.noticewords import counted
from dashboards.pages.fleet_views import fleet_view
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
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
        waiting=counted(desk.notices()),
    )


def _calls(desk: Desk) -> list[tuple[StatementRow, str, str, str]]:
    """Return who asks for help, in words, since when by the clock of the place, and the place."""
    now_ms, units = desk.now_ms(), {unit.id: unit for unit in desk.fleet().units}
    names = {unit.id: unit.name or unit.id for unit in units.values()}
    zones = {site.id: ZoneInfo(site.timezone) for site in desk.sites()}
    return [
        (call, call_words(call, names), text.clock(call.t_ms, zones[site], now_ms), site)
        for call in desk.calls_for_help()
        if call.unit in units and (site := units[call.unit].site) in zones
    ]
