"""What people say through plain forms; each answers with the page it came from."""

import re
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.language import _
from dashboards.pages.forms import as_typed, number_from, temperature_or_none
from dashboards.pages.people import remember
from services.api.routes import AtDesk, UnitPath
from services.api.schemas import Check, Correction, Disposition, Name, Release, Words
from services.domain import UnitState

router = APIRouter(include_in_schema=False)

_BACK = re.compile(r"/(camp|units)/[a-z0-9-]{3,32}")
"""Addresses a form may lead back to: none outside this house."""


def _back(request: Request, back: str, unit: str, person: str) -> Response:
    if not _BACK.fullmatch(back):
        raise HTTPException(422, _("A form leads back to a camp or a unit only."))
    response = RedirectResponse(f"{back}?noted={unit}#{unit}", status_code=303)
    remember(request, response, person)
    return response


@router.post("/units/{unit}/state")
def state(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    person: Annotated[Name, Form()],
    state: Annotated[UnitState, Form()],
    back: Annotated[str, Form()],
) -> Response:
    """Write down what a cabinet is used for from now on."""
    response = _back(request, back, unit, person)
    desk.say_state(unit, person, state)
    return response


@router.post("/units/{unit}/release")
def release(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    person: Annotated[Name, Form()],
    probe_c: Annotated[str, Form(max_length=12)],
    disposition: Annotated[Disposition, Form()],
    reason: Annotated[Words, Form()],
    back: Annotated[str, Form()],
    to: Annotated[str, Form()] = "",
) -> Response:
    """Close a hold."""
    response = _back(request, back, unit, person)
    read_c = number_from(probe_c)
    with as_typed():
        said = Release(
            unit=unit,
            person=person,
            probe_c=read_c,
            disposition=disposition,
            reason=reason,
            to_unit=to if to and disposition in {"moved", "refrozen"} else None,
        )
    desk.close_hold(said)
    return response


@router.post("/units/{unit}/check")
def check(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    person: Annotated[Name, Form()],
    kind: Annotated[Literal["probe", "ice_point"], Form()],
    probe_c: Annotated[str, Form(max_length=12)],
    back: Annotated[str, Form()],
    surface_c: Annotated[str, Form(max_length=12)] = "",
    channel: Annotated[Literal["cabinet", "product"], Form()] = "cabinet",
    note: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Write down a probe reading, or what a fitted sensor showed in melting ice."""
    response = _back(request, back, unit, person)
    desk.write_check(
        Check(
            unit=unit,
            person=person,
            kind=kind,
            channel=channel,
            probe_c=number_from(probe_c),
            surface_c=temperature_or_none(surface_c),
            note=note.strip() or None,
        )
    )
    return response


@router.post("/units/{unit}/correct")
def correct(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    person: Annotated[Name, Form()],
    line: Annotated[int, Form(ge=1, le=2**62)],
    reason: Annotated[Words, Form()],
    back: Annotated[str, Form()],
    reading_c: Annotated[str, Form(max_length=12)] = "",
) -> Response:
    """Write down that an earlier line was wrong."""
    response = _back(request, back, unit, person)
    read_c = temperature_or_none(reading_c)
    desk.correct(Correction(unit=unit, person=person, line=line, reading_c=read_c, reason=reason))
    return response
