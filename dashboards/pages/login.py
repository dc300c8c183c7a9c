"""Coming in and going out: logging in, choosing a password with a code, enrolling a device."""

import re
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.language import _
from dashboards.pages.render import draw_phone
from dashboards.rolewords import ROLES, places_words
from services.api.access import START, Asker, Role, Sites
from services.api.accountdesk import AccountDesk, TooManyTriesError, WrongLogInError
from services.api.entry import cookie_name, is_secure, names_this_machine
from services.domain import Fleet
from services.errors import Refused

router = APIRouter(include_in_schema=False)

_BACK = re.compile(r"/(?!/)[A-Za-z0-9/_.-]{0,200}")
"""Addresses a log-in may lead on to: none outside this house."""
_COOKIE_S = 400 * 86_400
"""The cookie may outlive the session; when that ends is written down here, not there."""


def account_desk(request: Request) -> AccountDesk:
    """Return where people come in.

    Raises
    ------
    HTTPException
        404 where nobody has to log in.
    """
    desk: AccountDesk | None = request.app.state.accounts
    if desk is None:
        raise HTTPException(404, _("Nobody logs in here."))
    return desk


AtDoor = Annotated[AccountDesk, Depends(account_desk)]


def address_of(request: Request) -> str:
    """Return where a request came from."""
    return "" if request.client is None else request.client.host


def status_of(error: Refused) -> int:
    """Return the status that goes with a refusal at the door."""
    return {TooManyTriesError: 429, WrongLogInError: 401}.get(type(error), 409)


def give_cookie(request: Request, response: Response, secret: str) -> None:
    """Let a browser keep the secret of its session, out of reach of scripts."""
    response.set_cookie(
        cookie_name(request),
        secret,
        max_age=_COOKIE_S,
        httponly=True,
        secure=is_secure(request),
        samesite="lax",
        path="/",
    )


def _require_privacy(request: Request) -> None:
    if not is_secure(request) and not names_this_machine(request.headers.get("host", "")):
        raise HTTPException(
            403, _("Passwords and codes are typed over https only. Ask for this page with https:// in front.")
        )


def _in(request: Request, secret: str, to: str) -> Response:
    response = RedirectResponse(to, 303)
    give_cookie(request, response, secret)
    return response


def _wait(error: Refused) -> dict[str, str]:
    return {"Retry-After": str(error.wait_s)} if isinstance(error, TooManyTriesError) else {}


@dataclass(frozen=True, slots=True)
class DemoPerson:
    """One of the people anybody may be in the demonstration."""

    name: str
    role: Role
    sites: Sites
    words: str


def demo_people(fleet: Fleet) -> list[DemoPerson]:
    """Return the fleet's people, each cook at a camp of their own, and an administrator."""
    camps = [site.id for site in fleet.sites if site.kind == "camp"]
    found: list[DemoPerson] = []
    cooks = 0
    for person in fleet.people:
        sites: Sites = None
        if person.role == "cook" and camps:
            sites = frozenset({camps[cooks % len(camps)]})
            cooks += 1
        words = f"{ROLES[person.role]}, {places_words(sites, fleet.sites)}"
        found.append(DemoPerson(person.name, person.role, sites, words))
    if all(person.role != "administrator" for person in found):
        words = f"{ROLES['administrator']}, {places_words(None, fleet.sites)}"
        found.append(DemoPerson(_("Demonstration administrator"), "administrator", None, words))
    return found


@router.get("/login")
def log_in_page(request: Request, door: AtDoor, next: str = "") -> Response:  # noqa: A002 - what the field is called
    """Ask who it is."""
    demo = request.state.demo
    people = demo_people(door.book.fleet()) if demo else ()
    back = next if _BACK.fullmatch(next) else ""
    return draw_phone(request, "login.html", wrong="", people=people, next=back, typed="")


@router.post("/login")
def log_in(
    request: Request,
    door: AtDoor,
    name: Annotated[str, Form(min_length=1, max_length=80)],
    password: Annotated[str, Form(min_length=1, max_length=200)],
    next: Annotated[str, Form(max_length=200)] = "",  # noqa: A002 - what the field is called
) -> Response:
    """Let somebody in."""
    _require_privacy(request)
    back = next if _BACK.fullmatch(next) else ""
    before: Asker | None = request.state.asker
    try:
        secret, account = door.log_in(
            name, password, address=address_of(request), old=None if before is None else before.session
        )
    except Refused as error:
        page = draw_phone(
            request, "login.html", status_of(error), wrong=str(error), people=(), next=back, typed=name
        )
        page.headers.update(_wait(error))
        return page
    return _in(request, secret, back or START[account.role])


@router.post("/login/demo")
def be_somebody(request: Request, door: AtDoor, name: Annotated[str, Form(max_length=80)]) -> Response:
    """Be one of the demonstration's people."""
    if not request.state.demo:
        raise HTTPException(404, _("This is no demonstration: log in with your password."))
    chosen = next((p for p in demo_people(door.book.fleet()) if p.name == name), None)
    if chosen is None:
        raise HTTPException(404, _("Nobody here is called %(name)s.", name=name))
    before: Asker | None = request.state.asker
    if before is not None:
        door.log_out(before)
    secret, account = door.log_in_as(chosen.name, chosen.role, chosen.sites)
    return _in(request, secret, START[account.role])


@router.post("/logout")
def log_out(request: Request, door: AtDoor) -> Response:
    """End the session here and in the records."""
    asker: Asker | None = request.state.asker
    if asker is not None:
        door.log_out(asker)
    response = RedirectResponse("/fleet" if request.state.demo else "/login", 303)
    response.delete_cookie(cookie_name(request), path="/", secure=is_secure(request), httponly=True)
    if is_secure(request):
        response.headers["Clear-Site-Data"] = '"cache"'
    return response


def _welcome_page(
    request: Request, door: AccountDesk, wrong: Refused | None = None, *, code: str = "", name: str = ""
) -> Response:
    status = 200 if wrong is None else status_of(wrong)
    page = draw_phone(
        request,
        "welcome.html",
        status,
        wrong="" if wrong is None else str(wrong),
        first=not door.book.has_administrator(),
        code=code,
        typed=name,
    )
    if wrong is not None:
        page.headers.update(_wait(wrong))
    return page


@router.get("/welcome")
def welcome_page(request: Request, door: AtDoor) -> Response:
    """Ask for a code and a password."""
    return _welcome_page(request, door)


@router.post("/welcome")
def welcome(
    request: Request,
    door: AtDoor,
    code: Annotated[str, Form(min_length=1, max_length=20)],
    password: Annotated[str, Form(min_length=1, max_length=200)],
    name: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Choose the password a code stands for."""
    _require_privacy(request)
    try:
        secret, account = door.welcome(code, name, password, address=address_of(request))
    except Refused as error:
        return _welcome_page(request, door, error, code=code, name=name)
    return _in(request, secret, START[account.role])


@router.post("/welcome/device")
def enrol(
    request: Request, door: AtDoor, code: Annotated[str, Form(min_length=1, max_length=20)]
) -> Response:
    """Make this the device of a kitchen."""
    _require_privacy(request)
    try:
        secret = door.enrol(code, address=address_of(request))
    except Refused as error:
        return _welcome_page(request, door, error)
    return _in(request, secret, START["cook"])
