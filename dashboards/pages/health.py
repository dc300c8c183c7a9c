"""Whether the box itself is well: a page for people, the same as JSON for machines."""

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from dashboards import text
from dashboards.pages.render import draw
from services.api.desk import Desk
from services.api.routes import desk_of

router = APIRouter(include_in_schema=False)
_UNWELL = 503


@router.get("/health")
def health(request: Request) -> Response:
    """Answer 200 when every part does what it is for, 503 when one does not; more only to who has come in."""
    come_in = request.state.asker is not None
    desk: Desk = desk_of(request) if come_in else request.app.state.desk
    found = desk.health()
    status = _UNWELL if any(each.down for each in found.troubles) else 200
    if not come_in:
        return JSONResponse({"status": found.status}, status)
    if "text/html" not in request.headers.get("accept", ""):
        return Response(found.model_dump_json(), status, media_type="application/json")
    now_ms = desk.now_ms()
    parts = [(part, text.age(part.beat_ms, now_ms)) for part in found.parts]
    return draw(request, "health.html", status, health=found, parts=parts)
