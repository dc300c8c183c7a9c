"""What a cook says at a cabinet: the check is signed, a probe was read, help is needed."""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import text
from dashboards.helpcalls import call_words
from dashboards.pages.camp import site_of
from dashboards.pages.forms import number_from, temperature_or_none
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw_phone
from dashboards.pages.views import card_view
from dashboards.urgency import in_order
from services.api.routes import AtDesk
from services.api.schemas import Check, Name

router = APIRouter(include_in_schema=False)


@router.get("/camp/{site}/check", response_class=HTMLResponse)
def page(request: Request, desk: AtDesk, site: str, unit: str = "", noted: str = "") -> Response:
    """Show the forms."""
    place = site_of(desk, site)
    now_ms = desk.now_ms()
    zone = ZoneInfo(place.timezone)
    cards = [placed.card for placed in in_order([c for c in desk.cards() if c.site == site])]
    names = {card.unit: card.name for card in cards}
    return draw_phone(
        request,
        "check.html",
        site=place,
        unit=unit if unit in names else "",
        cabinets=[card_view(card, now_ms) for card in cards],
        calls=[(c, call_words(c, names)) for c in desk.calls_for_help() if c.unit in names],
        people=desk.people(),
        who=remembered(request),
        noted=names.get(noted, ""),
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        zone=text.offset_name(now_ms, zone),
    )


@router.post("/camp/{site}/check")
def check(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    site: str,
    unit: Annotated[str, Form(pattern=r"^[a-z0-9-]{3,32}$")],
    person: Annotated[Name, Form()],
    kind: Annotated[Literal["checked", "probe", "help", "helped"], Form()],
    probe_c: Annotated[str, Form(max_length=12)] = "",
    surface_c: Annotated[str, Form(max_length=12)] = "",
    note: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Write down what somebody says of a cabinet of this place."""
    if unit not in site_of(desk, site).units:
        raise HTTPException(422, "Choose a cabinet of this place.")
    probed = kind == "probe"
    desk.write_check(
        Check(
            unit=unit,
            person=person,
            kind=kind,
            probe_c=number_from(probe_c) if probed else None,
            surface_c=temperature_or_none(surface_c) if probed else None,
            note=note.strip() or None,
        )
    )
    response = RedirectResponse(f"/camp/{site}/check?noted={unit}", status_code=303)
    remember(request, response, person)
    return response
