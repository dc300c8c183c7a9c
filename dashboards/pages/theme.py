"""What somebody chose pages to be drawn for: day, night or bright sun, kept by the browser."""

import re
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from dashboards.themes import COOKIE, KEPT_S, named
from services.api.entry import is_secure

router = APIRouter(include_in_schema=False)

_OWN = re.compile(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]*")
"""Addresses within this house, as browsers read them."""


@router.post("/theme")
def choose(
    request: Request,
    theme: Annotated[str, Form(max_length=10)] = "",
    back: Annotated[str, Form(max_length=2000)] = "/",
) -> Response:
    """Draw pages for something else from now on; an empty choice leaves it to the device."""
    response = RedirectResponse(back if _OWN.fullmatch(back) else "/", 303)
    secure = is_secure(request)
    if named(theme) is None:
        response.delete_cookie(COOKIE, path="/", secure=secure, httponly=True, samesite="lax")
    else:
        response.set_cookie(
            COOKIE, theme, max_age=KEPT_S, path="/", secure=secure, httponly=True, samesite="lax"
        )
    return response
