"""Who signs on this device: whoever logged in, else the name that was chosen last, kept in a cookie."""

from urllib.parse import quote, unquote

from fastapi import Request
from starlette.responses import Response

from services.api.access import Asker
from services.api.entry import is_secure

_COOKIE, _SECURE_COOKIE = "who", "__Host-who"
_A_MONTH_S = 30 * 86_400


def _logged_in(request: Request) -> str | None:
    asker: Asker | None = getattr(request.state, "asker", None)
    return asker.name if asker is not None and asker.kind == "person" else None


def remembered(request: Request) -> str:
    """Return who signs here, empty when nobody has yet."""
    cookie = _SECURE_COOKIE if is_secure(request) else _COOKIE
    return _logged_in(request) or unquote(request.cookies.get(cookie, ""))


def remember(request: Request, response: Response, name: str) -> None:
    """Keep a chosen name on this device, so that nobody chooses it twice."""
    if _logged_in(request) is not None:
        return
    secure = is_secure(request)
    response.set_cookie(
        _SECURE_COOKIE if secure else _COOKIE,
        quote(name),
        max_age=_A_MONTH_S,
        httponly=True,
        secure=secure,
        samesite="lax",
        path="/",
    )
