"""The manager's page: who needs somebody now, and by when."""

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards.pages.render import draw
from dashboards.pages.views import fleet_view
from services.api.routes import AtDesk
from services.timebase import iso_of

router = APIRouter(include_in_schema=False)


@router.get("/", response_class=HTMLResponse)
@router.get("/fleet", response_class=HTMLResponse)
def fleet(request: Request, desk: AtDesk) -> Response:
    """Show every cabinet, the one that needs somebody most first."""
    change = (
        desk.newest_change()
    )  # before the cards, so that a change in between is fetched twice, not missed
    view = fleet_view(desk)
    return draw(request, "fleet.html", fleet=view, change=change, made=iso_of(view.now_ms))


@router.get("/fleet/rows", response_class=HTMLResponse)
def rows(request: Request, desk: AtDesk) -> Response:
    """Give the rows alone, for a page that is open already."""
    view = fleet_view(desk)
    response = draw(request, "_fleet_rows.html", fleet=view)
    response.headers["X-Now-Ms"] = str(view.now_ms)
    return response
