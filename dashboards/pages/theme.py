"""What somebody chose pages to be drawn for: day, night or bright sun, kept by the browser."""

import re
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from dashboards.themes import COOKIE, KEPT_S, named
from services.api.entry import is_secure

router = APIRouter(include_in_schema=False)

_OWN = re.compile(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]*")
"""Addresses within this house, as browsers read them."""


def within(address: str) -> str:
    """Return an address where it is one of this house, else the first page."""
    return address if _OWN.fullmatch(address) else "/"


def back_of(request: Request) -> str:
    """Return the page the choice was made on, which a browser tells of pages of the same house."""
    parts = urlsplit(request.headers.get("referer", ""))
    if parts.netloc != request.headers.get("host"):
        return "/"
    asked = f"{parts.path}?{parts.query}" if parts.query else parts.path
    return within(asked)


@router.post("/theme")
def choose(
    request: Request,
    theme: Annotated[str, Form(max_length=10)] = "",
) -> Response:
    """Draw pages for something else from now on; an empty choice leaves it to the device."""
    response = RedirectResponse(back_of(request), 303)
    secure = is_secure(request)
    if named(theme) is None:
        response.delete_cookie(COOKIE, path="/", secure=secure, httponly=True, samesite="lax")
    else:
        response.set_cookie(
            COOKIE, theme, max_age=KEPT_S, path="/", secure=secure, httponly=True, samesite="lax"
        )
    return response
