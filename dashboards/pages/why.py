"""What the words mean: one page for phones, where a "?" beside every number would weigh too much."""

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards.helpwords import GROUPS
from dashboards.pages.render import draw_phone

router = APIRouter(include_in_schema=False)


@router.get("/why", response_class=HTMLResponse)
def why(request: Request) -> Response:
    """Explain every verdict, number and chart; labels on phone pages lead to their own place on it."""
    return draw_phone(request, "why.html", groups=GROUPS)
