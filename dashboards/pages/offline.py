"""What a phone needs to go on without a connection: pages to keep, words for its outbox, PINs afterwards."""

import re
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import JSONResponse, Response

from dashboards.language import _, food
from dashboards.pages.login import AtDoor, address_of, status_of
from dashboards.pages.render import draw_phone
from services.api import problems
from services.api.access import asker_of
from services.api.accountdesk import AccountDesk, TooManyTriesError
from services.api.desk import Desk
from services.api.pins import PinDesk
from services.api.routes import AtDesk
from services.errors import Refused

router = APIRouter(include_in_schema=False)

MOST_BATCHES = 30
"""Pages of batches that a phone keeps, those to use first leading: a link may be thin (judgement)."""
_CAMP = re.compile(r"/camp/([a-z0-9-]{3,32})(/.*)?")


def words() -> dict[str, str]:
    """Return what the outbox says; a # is where a number or a name goes."""
    return {
        "title": _("Kept on this phone"),
        "waiting": _("Kept on this phone, not sent yet: #"),
        "login": _("Log in again, then it is sent"),
        "stay": _("This phone cannot keep it: leave this page open until it is sent."),
        "refused": _("Not written down:"),
        "again": _("Send it again"),
        "away": _("Throw it away"),
        "sure": _("Throw away what was not written down?"),
        "pin": _("# written down, not verified yet: PIN of #"),
        "show": _("Verify"),
        "leave": _("Leave it not verified"),
        "leave_sure": _("It stays written down in the name of #, as not verified. Leave it so?"),
        "no_link": _("No connection: try again later."),
        "sending": _("Sending …"),
        "at_once": food(
            "Not sent, or no answer came. A hold is closed with a connection only: by now more may be "
            "known of the food. Tap again once there is one; it counts once."
        ),
    }


def pages_of(desk: Desk, at: str) -> list[str]:
    """Return the pages that somebody at a camp should have without a connection."""
    asked = _CAMP.fullmatch(at)
    site = None if asked is None else next((s for s in desk.sites() if s.id == asked[1]), None)
    if site is None:
        return []
    here = f"/camp/{site.id}"
    batches = [card.batch.id for card in desk.batches(site=site.id)][:MOST_BATCHES]
    return [
        here,
        *(f"{here}/{leaf}" for leaf in ("check", "add", "food", "add/details")),
        "/offline",
        "/why",
        *(f"/batches/{batch}" for batch in batches),
    ]


@router.get("/offline")
def offline(request: Request) -> Response:
    """Show what stands in for a page that is not kept."""
    return draw_phone(request, "offline.html")


@router.get("/offline/kit")
def kit(request: Request, desk: AtDesk, at: str = "") -> Response:
    """Tell a phone what to keep, what its outbox says, and whose PIN is asked for."""
    shelf = request.app.state.shelf
    door: AccountDesk | None = request.app.state.accounts
    at_device = door is not None and asker_of(request).kind == "device"
    found: dict[str, Any] = {
        "now_ms": desk.now_ms(),
        "worker": shelf.url("worker.js"),
        "files": [shelf.url(name) for name in ("look.js", "outbox.js", "line.js")],
        "pages": pages_of(desk, at),
        "pins": sorted(door.book.people_with_pin()) if door is not None and at_device else [],
        "words": words(),
    }
    return JSONResponse(found, headers={"Cache-Control": "no-store"})


@router.post("/kept/pin")
def show_pin(
    request: Request,
    door: AtDoor,
    person: Annotated[str, Form(min_length=1, max_length=80)],
    pin: Annotated[str, Form(max_length=20)],
    key: Annotated[list[str], Form(max_length=200)],
) -> Response:
    """Verify what was signed on a device in somebody's name."""
    try:
        shown = PinDesk(door).show(asker_of(request), person, pin, key, address=address_of(request))
    except Refused as error:
        wait = {"Retry-After": str(error.wait_s)} if isinstance(error, TooManyTriesError) else {}
        # not 401: the device itself is let in
        status = 403 if status_of(error) == 401 else status_of(error)  # noqa: PLR2004
        return problems.answer(problems.problem(status, str(error), code="pin"), wait)
    return JSONResponse({"verified": shown})
