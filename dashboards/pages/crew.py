"""The administrator's page: who may come in, as what, to which places; devices; machines."""

from dataclasses import dataclass
from datetime import UTC
from typing import Annotated

from fastapi import APIRouter, Form, Path, Request
from starlette.responses import RedirectResponse, Response

from dashboards import text
from dashboards.language import Phrase, _
from dashboards.natural import natural
from dashboards.pages.login import AtDoor, status_of
from dashboards.pages.render import draw_phone
from dashboards.rolewords import ROLES, places_words
from services.api.access import Role, Sites, asker_of
from services.api.accountdesk import AccountDesk
from services.errors import Refused

router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=2**62)]
RoleField = Annotated[Role, Form()]
SitesField = Annotated[list[str], Form(max_length=500)]
Everywhere = Annotated[str, Form(max_length=3)]
Label = Annotated[str, Form(min_length=1, max_length=80)]

_CODE_HOW = Phrase(
    "Tell it to %(who)s in person or over the phone. It is shown only now, works once and ends "
    "after 72 hours. It is typed at %(where)s."
)


@dataclass(frozen=True, slots=True)
class Given:
    """Something that is shown once."""

    what: str
    secret: str
    how: str


def _page(
    request: Request, door: AccountDesk, *, wrong: Refused | None = None, given: Given | None = None
) -> Response:
    now_ms, fleet = door.now_ms(), door.book.fleet()
    accounts = door.book.accounts()
    held = {account.name for account in accounts if not account.disabled}
    page = draw_phone(
        request,
        "people.html",
        200 if wrong is None else status_of(wrong),
        wrong="" if wrong is None else str(wrong),
        given=given,
        role_words=ROLES,
        sites=fleet.sites,
        unknown=[person.name for person in fleet.people if person.name not in held],
        accounts=[
            {
                "no": a.no,
                "name": a.name,
                "role": a.role,
                "words": ROLES[a.role],
                "sites": None if a.sites is None else sorted(a.sites),
                "places": places_words(a.sites, fleet.sites),
                "waiting": a.waiting,
                "disabled": a.disabled,
            }
            for a in sorted(accounts, key=lambda a: (a.disabled, natural(a.name)))
        ],
        devices=[
            {
                "name": d.name,
                "digest": d.digest,
                "places": places_words(d.sites, fleet.sites),
                "seen": text.age(d.seen_ms, now_ms),
            }
            for d in door.book.devices(now_ms=now_ms)
        ],
        tokens=[
            {
                "label": t.label,
                "words": ROLES[t.role],
                "places": places_words(t.sites, fleet.sites),
                "since": f"{text.stamp(t.made_ms, UTC)} UTC",
                "made_by": t.made_by,
            }
            for t in door.book.tokens()
        ],
    )
    page.headers["Cache-Control"] = "no-store"  # what is shown once is kept nowhere
    return page


def _sites(everywhere: str, site: list[str]) -> Sites:
    return None if everywhere == "yes" and not site else frozenset(site)


@router.get("/people")
def people(request: Request, door: AtDoor) -> Response:
    """Show who may come in."""
    return _page(request, door)


@router.post("/people/invite")
def invite(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    door: AtDoor,
    name: Label,
    role: RoleField,
    site: SitesField = [],  # noqa: B006 - FastAPI copies it
    everywhere: Everywhere = "",
) -> Response:
    """Let somebody in, or in again."""
    who = asker_of(request).name
    try:
        code = door.book.invite(name, role, _sites(everywhere, site), who=who, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    how = _CODE_HOW(who=name.strip(), where="/welcome")
    return _page(request, door, given=Given(_("Code for %(name)s", name=name.strip()), code, how))


@router.post("/people/{number}/change")
def change(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    door: AtDoor,
    number: Number,
    role: RoleField,
    site: SitesField = [],  # noqa: B006 - FastAPI copies it
    everywhere: Everywhere = "",
) -> Response:
    """Give an account another role, or other places."""
    who = asker_of(request).name
    try:
        door.book.change_account(number, role, _sites(everywhere, site), who=who, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    return RedirectResponse("/people", 303)


@router.post("/people/{number}/disable")
def disable(request: Request, door: AtDoor, number: Number) -> Response:
    """Shut an account."""
    try:
        door.book.disable_account(number, who=asker_of(request).name, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    return RedirectResponse("/people", 303)


@router.post("/people/device")
def device(
    request: Request,
    door: AtDoor,
    label: Label,
    site: SitesField = [],  # noqa: B006 - FastAPI copies it
    everywhere: Everywhere = "",
) -> Response:
    """Make a code that enrols a device."""
    who = asker_of(request).name
    try:
        code = door.book.device_code(label, _sites(everywhere, site), who=who, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    how = _CODE_HOW(who=_("whoever holds the device"), where=_("/welcome on that device"))
    return _page(request, door, given=Given(_("Code for %(name)s", name=label.strip()), code, how))


@router.post("/people/device/end")
def end_device(
    request: Request, door: AtDoor, device: Annotated[str, Form(pattern=r"^[0-9a-f]{64}$")]
) -> Response:
    """Take a device out."""
    try:
        door.book.end_device(device, who=asker_of(request).name, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    return RedirectResponse("/people", 303)


@router.post("/people/token")
def token(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    door: AtDoor,
    label: Label,
    role: RoleField,
    site: SitesField = [],  # noqa: B006 - FastAPI copies it
    everywhere: Everywhere = "",
) -> Response:
    """Give a machine its token."""
    who = asker_of(request).name
    try:
        made = door.book.give_token(label, role, _sites(everywhere, site), who=who, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    how = _("It is shown only now. The program sends it as: Authorization: Bearer and the token.")
    return _page(request, door, given=Given(_("Token for %(name)s", name=label.strip()), made, how))


@router.post("/people/token/revoke")
def revoke(request: Request, door: AtDoor, label: Label) -> Response:
    """End a token."""
    try:
        door.book.revoke_token(label, who=asker_of(request).name, now_ms=door.now_ms())
    except Refused as error:
        return _page(request, door, wrong=error)
    return RedirectResponse("/people", 303)
