"""Choosing the language and the scale of temperatures of this browser; a plain form, no script needed."""

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from dashboards.language import CHOSEN_DEGREES, CHOSEN_LANGUAGE, LANGUAGES, Degrees, _, reader
from dashboards.pages.render import draw_phone
from dashboards.pages.theme import back_of, within
from services.api.entry import is_secure

router = APIRouter(include_in_schema=False)

_COOKIE_S = 400 * 86_400


@router.get("/language")
def languages(request: Request) -> Response:
    """Show every language under its own name; the choice leads back to where it was asked for."""
    came = back_of(request)
    back = "/" if came.startswith("/language") else came
    return draw_phone(request, "language.html", languages=LANGUAGES, reads=reader(), back=back)


@router.post("/language")
def choose(
    request: Request,
    language: Annotated[str, Form(max_length=8)] = "",
    degrees: Annotated[Degrees | None, Form()] = None,
    back: Annotated[str, Form(max_length=500)] = "/",
) -> Response:
    """Keep a choice in this browser."""
    if language and language not in LANGUAGES:
        raise HTTPException(422, _("There is no such language here."))
    response = RedirectResponse(within(back), 303)
    for name, value in ((CHOSEN_LANGUAGE, language), (CHOSEN_DEGREES, degrees)):
        if value:
            response.set_cookie(
                name, value, max_age=_COOKIE_S, secure=is_secure(request), samesite="lax", httponly=True
            )
    return response
