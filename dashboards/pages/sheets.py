"""Style sheets of a desk page: inside it for a browser that does not hold them yet, linked ever after.

A linked sheet holds back the first word of a page for a whole round trip, two seconds on a slow link; one
that is inside every page travels again and again, also each time a page that lives is fetched anew.
"""

import functools
from pathlib import Path

from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import Response

from services.api.entry import is_secure
from services.api.middleware import text_hash
from services.api.static import StaticShelf

COOKIE = "sheets"
"""Names which sheets a browser was told to keep; who keeps no cookies gets them inside each time."""
_APART = "~"
_KEPT_S = 365 * 86_400
_FOLDER = Path(__file__).resolve().parent.parent / "static"


@functools.cache
def within(name: str) -> str:
    """Return a sheet as it stands inside a page: without the spaces that lead its lines."""
    lines = (_FOLDER / name).read_text(encoding="utf-8").splitlines()
    return "\n".join(stripped for line in lines if (stripped := line.strip()))


@functools.cache
def _hash(name: str) -> str:
    return text_hash(within(name))


class Sheets:
    """The sheets of one page, asked for by its templates one after the other."""

    def __init__(self, request: Request) -> None:
        """Take who asks: the browser says what it holds."""
        self._shelf: StaticShelf = request.app.state.shelf
        self._secure = is_secure(request)
        self._held = set(request.cookies.get(COOKIE, "").split(_APART))
        self._asked: list[str] = []
        self._inside: list[str] = []

    def __call__(self, name: str) -> Markup:
        """Return what stands in the head of the page for one sheet.

        The second line of a sheet that is inside lets the browser fetch it for the next page, after
        everything else: a sheet for no medium holds nothing back.
        """
        url = escape(self._shelf.url(name))
        self._asked.append(name)
        if self._mark(name) in self._held:
            return Markup('<link rel="stylesheet" href="{}">').format(url)
        self._inside.append(name)
        inside = Markup(within(name))  # noqa: S704 - our own file
        return Markup('<style>{}</style>\n<link rel="stylesheet" media="not all" href="{}">').format(
            inside, url
        )

    def _mark(self, name: str) -> str:
        return self._shelf.url(name).rpartition("/")[2]

    @property
    def hashes(self) -> tuple[str, ...]:
        """What the policy must allow."""
        return tuple(_hash(name) for name in self._inside)

    def note(self, response: Response) -> None:
        """Let the browser say next time what it was told to keep."""
        if not self._inside:
            return
        marks = sorted(
            {mark for mark in self._held if self._shelf.holds(mark)} | set(map(self._mark, self._asked))
        )
        response.set_cookie(
            COOKIE,
            _APART.join(marks),
            max_age=_KEPT_S,
            path="/",
            secure=self._secure,
            httponly=True,
            samesite="lax",
        )
