"""The administrator's page of one cabinet's credential: given once, taken away, seen or not."""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from typing import Literal

from fastapi import APIRouter, Request
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import adminwords, text
from dashboards.language import _
from dashboards.pages.adminforms import Typed, ended, said, signer_of
from dashboards.pages.printing import file_answer
from dashboards.pages.render import draw
from services.api.access import asker_of
from services.api.credentialport import REVOKED, CredentialRoom, Given
from services.api.desk import Desk
from services.api.routes import AtDesk, UnitPath
from services.errors import Refused

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class CredentialState:
    """How it stands with a unit's credential."""

    state: Literal["none", "never_seen", "seen", "revoked"]
    words: str


def room_of(request: Request) -> CredentialRoom | None:
    """Return where credentials are given; None in a program that has no broker to speak of."""
    found: CredentialRoom | None = getattr(request.app.state, "credentials", None)
    return found


def credential_states(desk: Desk, units: Sequence[str]) -> dict[str, CredentialState]:
    """Return how it stands with the credentials of some units, by what was written down of them."""
    last: dict[str, tuple[str, int]] = {}
    for event in desk.credential_events():
        last.setdefault(event.about, (event.kind, event.t_ms))
    heard = {card.unit: card.received_at for card in desk.cards()}
    return {unit: _state(last.get(unit), heard.get(unit), desk.now_ms()) for unit in units}


def _state(last: tuple[str, int] | None, heard_ms: int | None, now_ms: int) -> CredentialState:
    if last is None:
        return CredentialState("none", adminwords.credential_words(None, ""))
    when = f"{text.stamp(last[1], UTC)} UTC"
    if last[0] == REVOKED:
        return CredentialState("revoked", adminwords.credential_words(("revoked", when), ""))
    seen = heard_ms is not None and heard_ms > last[1]
    ago = text.age(heard_ms, now_ms) if seen else ""
    return CredentialState(
        "seen" if seen else "never_seen", adminwords.credential_words(("given", when), ago)
    )


@router.get("/admin/credentials/{unit}", response_class=HTMLResponse)
def credential_page(request: Request, desk: AtDesk, unit: UnitPath) -> Response:
    """Show how it stands with a unit's credential."""
    return _page(request, desk, unit)


@router.post("/admin/credentials/{unit}/give", response_class=HTMLResponse)
def give(request: Request, desk: AtDesk, unit: UnitPath, form: Typed) -> Response:
    """Give a unit a credential, shown in this answer and never again."""
    room = _require_room(request, desk, unit)
    again = said(form, "again", 3) == "yes"
    try:
        who, why = _signed(request, desk, form)
        given = room.give(unit, who=who, why=why, again=again)
    except Refused as error:
        return _page(request, desk, unit, wrong=error)
    return _page(request, desk, unit, given=given)


@router.post("/admin/credentials/{unit}/revoke", response_class=HTMLResponse)
def revoke(request: Request, desk: AtDesk, unit: UnitPath, form: Typed) -> Response:
    """Shut a unit out; one that is off the list too."""
    room = _require_room(request, desk, unit)
    try:
        who, why = _signed(request, desk, form)
        ended = room.revoke(unit, who=who, why=why)
    except Refused as error:
        return _page(request, desk, unit, wrong=error)
    done = _("It is shut out.") if ended else _("It is shut out as soon as the broker reads its files.")
    return _page(request, desk, unit, done=done, untold=not ended)


@router.get("/admin/broker/authority.pem")
def authority(request: Request) -> Response:
    """Give the certificate by which units know the broker."""
    room = room_of(request)
    meeting = None if room is None else room.meeting()
    if meeting is None:
        raise HTTPException(404, _("This box has no broker whose files can be read here."))
    return file_answer(meeting.authority, "application/x-pem-file", "broker-authority.pem")


def _require_room(request: Request, desk: Desk, unit: str) -> CredentialRoom:
    room = room_of(request)
    if room is None:
        raise HTTPException(404, _("This box has no broker whose files can be read here."))
    if unit not in {each.id for each in desk.described().fleet.units} | room.holders():
        raise HTTPException(404, _("Nothing on the list is called %(key)s.", key=unit))
    return room


def _signed(request: Request, desk: Desk, form: FormData) -> tuple[str, str]:
    """Return who gives or takes something, and why."""
    who, why = signer_of(request, desk, form), said(form, "why")
    if not why:
        raise Refused(_("Say why."))
    return who, why


def _page(
    request: Request,
    desk: Desk,
    unit: str,
    *,
    given: Given | None = None,
    wrong: Refused | None = None,
    done: str = "",
    untold: bool = False,
) -> Response:
    known = {each.id: each.name or each.id for each in desk.described().fleet.units}
    room = room_of(request)
    holds = room is not None and unit in room.holders()
    if unit not in known and not holds and not done:
        raise HTTPException(404, _("Nothing on the list is called %(key)s.", key=unit))
    hindrance = "no_broker" if room is None else room.hindrance()
    who = asker_of(request).name or "NAME"
    page = draw(
        request,
        "admin_credential.html",
        200 if wrong is None else 409,
        unit=unit,
        called=known.get(unit, unit),
        listed=unit in known,
        state=credential_states(desk, [unit])[unit],
        holds=holds,
        given=given,
        wrong="" if wrong is None else ended(wrong),
        done=done,
        untold=untold or (given is not None and not given.told),
        meeting=None if room is None else room.meeting(),
        hindrance="" if hindrance is None else adminwords.HINDRANCES[hindrance],
        no_broker=hindrance == "no_broker",
        commands=[
            shlex.join(["bushlarder", "unit", *rest, "--who", who])
            for rest in (["add", unit], ["add", unit, "--again"], ["revoke", unit])
        ],
        people=desk.people(),
        who=asker_of(request).name,
    )
    page.headers["Cache-Control"] = "no-store"  # what is shown once is kept nowhere
    return page
