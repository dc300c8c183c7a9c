"""What people say through plain forms; each answers with the page it came from."""

import re
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.pages.people import remember
from services.api.routes import AtDesk, UnitPath
from services.api.schemas import Disposition, Name, Release, Words
from services.domain import UnitState

router = APIRouter(include_in_schema=False)

_BACK = re.compile(r"/(camp|units)/[a-z0-9-]{3,32}")
"""Addresses a form may lead back to: none outside this house."""
_NUMBER = re.compile(r"[-+]?\d{1,3}([.,]\d{1,3})?")
_LOWEST_PROBE_C, _HIGHEST_PROBE_C = -60.0, 100.0


def number_from(typed: str) -> float:
    """Return a temperature as people type it: comma or point, any kind of minus.

    Raises
    ------
    HTTPException
        422 when it is no number, or none a probe in food can show.
    """
    tidy = typed.strip().removesuffix("°C").strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(tidy):
        raise HTTPException(422, f"{typed!r} is not a temperature. Write it like 4.5 or 4,5.")
    value = float(tidy.replace(",", "."))
    if not _LOWEST_PROBE_C <= value <= _HIGHEST_PROBE_C:
        raise HTTPException(422, f"{typed} °C is not what a probe in food can show.")
    return value


def _back(back: str, unit: str, person: str) -> Response:
    if not _BACK.fullmatch(back):
        raise HTTPException(422, "A form leads back to a camp or a unit only.")
    response = RedirectResponse(f"{back}?noted={unit}#{unit}", status_code=303)
    remember(response, person)
    return response


@router.post("/units/{unit}/state")
def state(
    desk: AtDesk,
    unit: UnitPath,
    person: Annotated[Name, Form()],
    state: Annotated[UnitState, Form()],
    back: Annotated[str, Form()],
) -> Response:
    """Write down what a cabinet is used for from now on."""
    response = _back(back, unit, person)
    desk.say_state(unit, person, state)
    return response


@router.post("/units/{unit}/release")
def release(  # noqa: PLR0917 - a form has as many fields as it has
    desk: AtDesk,
    unit: UnitPath,
    person: Annotated[Name, Form()],
    probe_c: Annotated[str, Form(max_length=12)],
    disposition: Annotated[Disposition, Form()],
    reason: Annotated[Words, Form()],
    back: Annotated[str, Form()],
) -> Response:
    """Close a hold."""
    response = _back(back, unit, person)
    read_c = number_from(probe_c)
    desk.close_hold(Release(unit=unit, person=person, probe_c=read_c, disposition=disposition, reason=reason))
    return response
