"""Draws templates: pages for a desk with a linked style, phone pages with everything in one answer."""

import functools
from pathlib import Path
from typing import Any

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from dashboards import foodwords, text
from dashboards.pages.faults import detail_of
from services.api.access import Asker, entry_of, may
from services.api.middleware import content_policy, text_hash
from services.api.schemas import Problem

HERE = Path(__file__).resolve().parent.parent
STATIC_DIR = HERE / "static"


@functools.cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        cautions=text.CAUTIONS,
        dispositions=text.DISPOSITIONS,
        states=text.STATES,
        channels=text.CHANNELS,
        food=foodwords,
        agos=foodwords.AGOS,
        spot_note=foodwords.SPOT_NOTE,
        unrecorded_cook=foodwords.UNRECORDED_COOK,
    )
    return environment


@functools.cache
def _inlined(name: str) -> str:
    lines = (HERE / "templates" / name).read_text(encoding="utf-8").splitlines()
    return "\n".join(
        stripped for line in lines if (stripped := line.strip()) and not stripped.startswith("//")
    )


@functools.cache
def _phone_policy() -> str:
    return content_policy(
        styles=[text_hash(_inlined("phone.css"))], scripts=[text_hash(_inlined("phone.js"))]
    )


def _shared(request: Request) -> dict[str, Any]:
    """Return what every page shows: where it is, who asks, what they may open, and the box's troubles."""
    asker: Asker | None = getattr(request.state, "asker", None)

    def can(path: str) -> bool:
        entry = entry_of("GET", path)
        return asker is not None and (asker.sees_all or (entry is not None and may(asker, entry)))

    return {
        "path": request.url.path,
        "asker": asker,
        "demo": getattr(request.state, "demo", False),
        "can": can,
        "troubles": () if asker is None else request.app.state.desk.troubles(),
    }


def draw(request: Request, name: str, status: int = 200, **context: Any) -> Response:  # noqa: ANN401 - templates take anything
    """Return a page with linked style and scripts."""
    shelf = request.app.state.shelf
    body = _environment().get_template(name).render(static_url=shelf.url, **_shared(request), **context)
    return HTMLResponse(body, status)


def draw_phone(request: Request, name: str, status: int = 200, **context: Any) -> Response:  # noqa: ANN401 - templates take anything
    """Return a page that is whole in one answer: its style and its few lines of script are inside."""
    body = (
        _environment()
        .get_template(name)
        .render(
            css=Markup(_inlined("phone.css")),  # noqa: S704 - our own file
            script=Markup(_inlined("phone.js")),  # noqa: S704 - our own file
            **_shared(request),
            **context,
        )
    )
    return HTMLResponse(body, status, {"Content-Security-Policy": _phone_policy()})


def problem_page(request: Request, problem: Problem) -> Response:
    """Return an error as a page for people."""
    return draw_phone(request, "problem.html", problem.status, problem=problem, detail=detail_of(problem))
