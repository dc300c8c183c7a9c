"""Draws templates: pages for a desk, and phone pages with everything in one answer."""

import functools
import re
from pathlib import Path
from typing import Any

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from dashboards import foodwords, language, rolewords, text
from dashboards.helpwords import Asked
from dashboards.language import _
from dashboards.pages.faults import detail_of, title_of
from dashboards.pages.sheets import Sheets
from dashboards.themes import Theme, style, theme_of
from services.api.access import Asker, entry_of, may
from services.api.middleware import content_policy, text_hash
from services.api.schemas import Problem

HERE = Path(__file__).resolve().parent.parent
STATIC_DIR = HERE / "static"
_FORMS = re.compile(r"/(batches|units|camp)/[a-z0-9-]+(?=/)")
"""The page whose forms are sent to an address below its own."""


@functools.cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    _speak(environment)
    environment.globals.update(
        cautions=text.CAUTIONS,
        dispositions=text.DISPOSITIONS,
        states=text.STATES,
        channels=text.CHANNELS,
        food=foodwords,
        agos=foodwords.AGOS,
        spot_note=foodwords.SPOT_NOTE,
        unrecorded_cook=foodwords.UNRECORDED_COOK,
        roles=rolewords.NAMES,
        scale=language.scale,
        degrees=text.degrees,
        difference=text.difference,
        plain=text.plain,
        ages=text.AGES,
    )
    return environment


def _speak(environment: Environment) -> None:
    """Let templates be written in the language of whoever reads them."""
    environment.policies["ext.i18n.trimmed"] = True
    environment.install_gettext_callables(  # type: ignore[attr-defined]  # the extension brings it
        language.unfilled, language.unfilled_count, newstyle=True, pgettext=language.unfilled_in
    )
    environment.globals.update(
        food_text=language.food,
        reader=language.reader,
        draft=language.draft_note,
        in_english=language.english_note,
    )


@functools.cache
def _inlined(name: str) -> str:
    lines = (HERE / "templates" / name).read_text(encoding="utf-8").splitlines()
    return "\n".join(
        stripped for line in lines if (stripped := line.strip()) and not stripped.startswith("//")
    )


@functools.cache
def _phone_style(theme: Theme | None) -> str:
    return f"{style(theme, phone=True)}\n{_inlined('phone.css')}".replace("\n", "")


@functools.cache
def _phone_policy(theme: Theme | None) -> str:
    return content_policy(styles=[text_hash(_phone_style(theme))], scripts=[text_hash(_inlined("phone.js"))])


@functools.cache
def _desk_policy(theme: Theme | None, inside: tuple[str, ...]) -> str:
    return content_policy(styles=[text_hash(style(theme, phone=False)), *inside])


def _shared(request: Request) -> dict[str, Any]:
    """Return what every page shows: where it is, who asks, what they may open, and the box's troubles."""
    asker: Asker | None = getattr(request.state, "asker", None)

    def can(path: str) -> bool:
        entry = entry_of("GET", path)
        return asker is not None and (asker.sees_all or (entry is not None and may(asker, entry)))

    return {
        "path": request.url.path,
        "theme": theme_of(request),
        "asker": asker,
        "asked": Asked(),
        "demo": getattr(request.state, "demo", False),
        "can": can,
        "troubles": () if asker is None else request.app.state.desk.troubles(),
    }


def draw(request: Request, name: str, status: int = 200, **context: Any) -> Response:  # noqa: ANN401 - templates take anything
    """Return a page whose style is inside at the first visit and linked afterwards, as its scripts are."""
    theme, sheets = theme_of(request), Sheets(request)
    body = (
        _environment()
        .get_template(name)
        .render(
            static_url=request.app.state.shelf.url,
            sheet=sheets,
            palette=Markup(style(theme, phone=False)),  # noqa: S704 - our own words
            **_shared(request),
            **context,
        )
    )
    response = HTMLResponse(body, status, {"Content-Security-Policy": _desk_policy(theme, sheets.hashes)})
    sheets.note(response)
    return response


def written(name: str, /, **context: Any) -> str:  # noqa: ANN401 - templates take anything
    """Return a document that holds all it needs: for paper, or for who has not come in."""
    return _environment().get_template(name).render(**context)


def _later(request: Request) -> str:
    """Return the scripts a phone page fetches once it can be read; none where there is no shelf for them."""
    found = (request.app.state.shelf.url_or_none(name) for name in ("look.js", "outbox.js", "line.js"))
    return " ".join(url for url in found if url is not None)


def draw_phone(request: Request, name: str, status: int = 200, **context: Any) -> Response:  # noqa: ANN401 - templates take anything
    """Return a page that is whole in one answer: its style and its few lines of script are inside."""
    theme = theme_of(request)
    body = (
        _environment()
        .get_template(name)
        .render(
            css=Markup(_phone_style(theme)),  # noqa: S704 - our own file
            script=Markup(_inlined("phone.js")),  # noqa: S704 - our own file
            outbox=_later(request),
            **_shared(request),
            **context,
        )
        .replace(">\n<", "><")  # ends of lines weigh forty bytes on a page that may have five thousand
    )
    return HTMLResponse(body, status, {"Content-Security-Policy": _phone_policy(theme)})


def _back(path: str) -> tuple[str, str] | None:
    """Return the page a refused form came from, with what it is called; None where nothing was sent."""
    found = _FORMS.match(path)
    if found is None:
        return None
    kinds = {
        "batches": _("Back to the food"),
        "units": _("Back to the cabinet"),
        "camp": _("Back to the camp"),
    }
    return found[0], kinds[found[1]]


def problem_page(request: Request, problem: Problem) -> Response:
    """Return an error as a page for people, one that no route answered too."""
    with language.read_by(language.reader_of(request)):
        told = {"title": title_of(problem), "detail": detail_of(problem), "back": _back(request.url.path)}
        return draw_phone(request, "problem.html", problem.status, problem=problem, **told)
