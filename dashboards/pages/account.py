"""A person's own account: password, open sessions, logging out."""

from datetime import UTC
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from dashboards import text
from dashboards.language import Table, _
from dashboards.pages.login import AtDoor, address_of, give_cookie, status_of
from dashboards.pages.render import draw_phone
from dashboards.rolewords import ROLES, places_words
from services.api.access import START, asker_of
from services.api.accountdesk import AccountDesk
from services.api.pins import PinDesk
from services.errors import Refused

router = APIRouter(include_in_schema=False)

_DONE: Table[str] = Table(
    {
        "password": "Your password is changed; every other device was logged out.",
        "others": "Every other device was logged out.",
        "pin": "Your PIN is kept.",
    }
)


def _page(request: Request, door: AccountDesk, wrong: Refused | None = None, done: str = "") -> Response:
    asker = asker_of(request)
    now_ms = door.now_ms()
    open_here = door.book.sessions_of(asker.account or 0, now_ms=now_ms)
    return draw_phone(
        request,
        "account.html",
        200 if wrong is None else status_of(wrong),
        wrong="" if wrong is None else str(wrong),
        done=_DONE.get(done, ""),
        role_words=text.sentence(ROLES[asker.role]).removesuffix("."),
        places=places_words(asker.sites, door.book.fleet().sites),
        start=START[asker.role],
        has_pin=door.book.pin_of(asker.name) is not None,
        sessions=[
            {
                "begun": _("since %(time)s UTC", time=text.stamp(each.begun_ms, UTC)),
                "seen": text.age(each.seen_ms, now_ms),
                "here": each.digest == asker.session,
            }
            for each in open_here
        ],
    )


@router.get("/account")
def account(request: Request, door: AtDoor, done: str = "") -> Response:
    """Show the account of whoever asks."""
    return _page(request, door, done=done)


@router.post("/account/password")
def change_password(
    request: Request,
    door: AtDoor,
    old: Annotated[str, Form(min_length=1, max_length=200)],
    new: Annotated[str, Form(min_length=1, max_length=200)],
) -> Response:
    """Change the password; every other session ends, this one begins anew."""
    try:
        secret = door.change_password(asker_of(request), old, new, address=address_of(request))
    except Refused as error:
        return _page(request, door, error)
    response = RedirectResponse("/account?done=password", 303)
    give_cookie(request, response, secret)
    return response


@router.post("/account/pin")
def choose_pin(
    request: Request,
    door: AtDoor,
    password: Annotated[str, Form(min_length=1, max_length=200)],
    pin: Annotated[str, Form(max_length=20)] = "",
) -> Response:
    """Choose the PIN that verifies what is signed in one's name on a kitchen's phone."""
    try:
        PinDesk(door).choose(asker_of(request), password, pin, address=address_of(request))
    except Refused as error:
        return _page(request, door, error)
    return RedirectResponse("/account?done=pin", 303)


@router.post("/account/others")
def end_others(request: Request, door: AtDoor) -> Response:
    """End every other session."""
    asker = asker_of(request)
    door.book.end_other_sessions(asker.account or 0, asker.session or "")
    return RedirectResponse("/account?done=others", 303)
