"""Remembers in a cookie which name was signed with last, so that nobody types it twice."""

from urllib.parse import quote, unquote

from fastapi import Request
from starlette.responses import Response

_COOKIE = "who"
_A_MONTH_S = 30 * 86_400


def remembered(request: Request) -> str:
    """Return the name used last on this device, empty when there is none."""
    return unquote(request.cookies.get(_COOKIE, ""))


def remember(response: Response, name: str) -> None:
    """Keep a name on this device."""
    response.set_cookie(_COOKIE, quote(name), max_age=_A_MONTH_S, httponly=True, samesite="lax", path="/")
