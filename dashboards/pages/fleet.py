"""The manager's page: who needs somebody now, and by when."""

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards.pages.fleet_views import fleet_view
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from services.api.routes import AtDesk

router = APIRouter(include_in_schema=False)

_EVERY_MS = 1_000
"""The page that lies open: a second, where the link is quick enough."""


@router.get("/", response_class=HTMLResponse)
@router.get("/fleet", response_class=HTMLResponse)
def fleet(request: Request, desk: AtDesk) -> Response:
    """Show every cabinet, the one that needs somebody most first."""
    live = live_of(desk, every_ms=_EVERY_MS)
    return draw(request, "fleet.html", fleet=fleet_view(desk), live=live)
