"""A person's own account: password, open sessions, logging out."""

from datetime import UTC
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards import text
from dashboards.language import CHOSEN_DEGREES, CHOSEN_LANGUAGE, LANGUAGES, Degrees, Table, _
from dashboards.pages.login import AtDoor, address_of, give_cookie, status_of
from dashboards.pages.render import draw_phone
from dashboards.rolewords import ROLES, places_words
from services.api.access import START, asker_of
from services.api.accountdesk import AccountDesk
from services.api.entry import is_secure
from services.api.pins import PinDesk
from services.errors import Refused

router = APIRouter(include_in_schema=False)

_DONE: Table[str] = Table(
    {
        "password": "Your password is changed; every other device was logged out.",
        "others": "Every other device was logged out.",
        "pin": "Your PIN is kept.",
        "reading": "Your language and scale are kept.",
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
        languages=LANGUAGES,
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


@router.post("/account/reading")
def choose_reading(
    request: Request,
    door: AtDoor,
    language: Annotated[str, Form(max_length=8)] = "",
    degrees: Annotated[Degrees | Literal[""], Form()] = "",
) -> Response:
    """Choose what one reads in on every device; this browser forgets what it was told itself."""
    if language and language not in LANGUAGES:
        raise HTTPException(422, _("There is no such language here."))
    asker = asker_of(request)
    door.book.set_reading(asker.account or 0, language=language or None, degrees=degrees or None)
    response = RedirectResponse("/account?done=reading", 303)
    for name in (CHOSEN_LANGUAGE, CHOSEN_DEGREES):
        response.delete_cookie(name, secure=is_secure(request), httponly=True, samesite="lax")
    return response


@router.post("/account/others")
def end_others(request: Request, door: AtDoor) -> Response:
    """End every other session."""
    asker = asker_of(request)
    door.book.end_other_sessions(asker.account or 0, asker.session or "")
    return RedirectResponse("/account?done=others", 303)
