"""Choosing the language and the scale of temperatures of this browser; a plain form, no script needed."""

import re
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.language import CHOSEN_DEGREES, CHOSEN_LANGUAGE, LANGUAGES, Degrees, reader
from dashboards.pages.render import draw_phone
from services.api.entry import is_secure

router = APIRouter(include_in_schema=False)

_BACK = re.compile(r"/(?!/)[A-Za-z0-9/_.-]{0,200}")
"""Addresses the choice may lead back to: none outside this house."""
_COOKIE_S = 400 * 86_400


def _within(back: str) -> str:
    return back if _BACK.fullmatch(back) else "/"


@router.get("/language")
def languages(request: Request, back: str = "/") -> Response:
    """Show every language under its own name."""
    return draw_phone(request, "language.html", languages=LANGUAGES, reads=reader(), back=_within(back))


@router.post("/language")
def choose(
    request: Request,
    language: Annotated[str, Form(max_length=8)] = "",
    degrees: Annotated[Degrees | None, Form()] = None,
    back: Annotated[str, Form(max_length=200)] = "/",
) -> Response:
    """Keep a choice in this browser."""
    if language and language not in LANGUAGES:
        raise HTTPException(422, "There is no such language here.")
    response = RedirectResponse(_within(back), 303)
    for name, value in ((CHOSEN_LANGUAGE, language), (CHOSEN_DEGREES, degrees)):
        if value:
            response.set_cookie(
                name, value, max_age=_COOKIE_S, secure=is_secure(request), samesite="lax", httponly=True
            )
    return response
