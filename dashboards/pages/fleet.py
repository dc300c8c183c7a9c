"""The manager's page: who needs somebody now, and by when."""

from datetime import UTC

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.pages.fleet_views import fleet_view
from dashboards.pages.render import draw
from services.api.routes import AtDesk

router = APIRouter(include_in_schema=False)


@router.get("/", response_class=HTMLResponse)
@router.get("/fleet", response_class=HTMLResponse)
def fleet(request: Request, desk: AtDesk) -> Response:
    """Show every cabinet, the one that needs somebody most first."""
    change = (
        desk.newest_change()
    )  # before the cards, so that a change in between is fetched twice, not missed
    view = fleet_view(desk)
    return draw(request, "fleet.html", fleet=view, change=change, made=f"{text.stamp(view.now_ms, UTC)} UTC")


@router.get("/fleet/rows", response_class=HTMLResponse)
def rows(request: Request, desk: AtDesk) -> Response:
    """Give the rows alone, for a page that is open already."""
    view = fleet_view(desk)
    response = draw(request, "_fleet_rows.html", fleet=view)
    response.headers["X-Now-Ms"] = str(view.now_ms)
    return response
