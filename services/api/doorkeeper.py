"""Who comes past: every request is asked who sends it, and looked up in the table of who may do what."""

from urllib.parse import quote

import structlog
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from services.api import problems
from services.api.access import Asker, Entry, entry_of, may
from services.api.entry import Access, bearer_of
from services.errors import DependencyUnavailable

_log = structlog.get_logger(__name__)

_LOG_IN_FIRST = "Log in first, or show a token."
_STATIC = "/static/"
_LIVE = "/api/v1/live"


class Doorkeeper:
    """Lets through what the table allows; the rest gets a log-in page, 401, 403 or 404."""

    def __init__(self, app: ASGIApp, access: Access, page: problems.ProblemPage | None) -> None:
        """Wrap `app`."""
        self._app = app
        self._access = access
        self._page = page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass through with the asker in the request's state, or answer."""
        if scope["type"] != "http" or scope["path"].startswith(_STATIC):
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        try:
            asker = await self._access.asker(request)
            refused = await self._refused(request, asker)
        except DependencyUnavailable as error:
            request.state.asker = None
            refused = problems.leave(request, problems.unavailable(error), None, {"Retry-After": "2"})
        if refused is not None:
            await refused(scope, receive, send)
            return
        await self._app(scope, receive, send)

    async def _refused(self, request: Request, asker: Asker | None) -> Response | None:
        request.state.asker = asker
        request.state.demo = self._access.demo
        entry = entry_of(request.method, request.url.path)
        if entry is not None and entry.public:
            return None
        if asker is None:
            return await self._come_in_first(request)
        return None if asker.sees_all else self._not_in_the_table(request, asker, entry)

    def _not_in_the_table(self, request: Request, asker: Asker, entry: Entry | None) -> Response | None:
        if entry is None:
            return self._problem(request, 404, f"There is nothing at {request.method} {request.url.path}.")
        if request.url.path == _LIVE and request.headers.get("sec-fetch-site") in {"cross-site", "same-site"}:
            return self._problem(request, 403, "This was asked for by another site.", "other_site")
        if not may(asker, entry):
            _log.info("api.request.not_allowed", kind=asker.kind, role=asker.role, path=request.url.path)
            return self._problem(request, 403, _not_for(asker), "not_allowed")
        return None

    async def _come_in_first(self, request: Request) -> Response:
        reads_pages = "text/html" in request.headers.get("accept", "")
        path = request.url.path
        if reads_pages and not path.startswith("/api/") and bearer_of(request) is None:
            if await self._access.empty():
                return RedirectResponse("/welcome", 303)
            back = f"?next={quote(path)}" if request.method == "GET" and path != "/" else ""
            return RedirectResponse(f"/login{back}", 303)
        headers = {"WWW-Authenticate": 'Bearer realm="bushlarder"'}
        return problems.answer(problems.problem(401, _LOG_IN_FIRST, code="log_in_first"), headers)

    def _problem(self, request: Request, status: int, detail: str, code: str | None = None) -> Response:
        return problems.leave(request, problems.problem(status, detail, code=code), self._page)


def _not_for(asker: Asker) -> str:
    if asker.kind == "person":
        return f"You are logged in as {asker.name} ({asker.role}); this is not for that role."
    return f"This is not for {asker.name} ({asker.role})."
