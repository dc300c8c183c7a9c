"""What every response and every changing request goes through, as plain ASGI."""

import base64
import hashlib
from collections.abc import Iterable
from urllib.parse import urlsplit

import structlog
from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from services.api import problems
from services.api.entry import bearer_of, is_secure, secret_of

_log = structlog.get_logger(__name__)

_CHANGING = frozenset({"POST", "PUT", "PATCH", "DELETE"})
_EMPTY_STYLE = "sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU="
"""Hash of the empty text: the charting library adds an empty style element before it fills it."""

_YEAR_S = 365 * 86_400
"""How long a browser that was here over TLS refuses to come without; subdomains are not ours to bind."""

_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), camera=(), microphone=()",
}


def text_hash(text: str) -> str:
    """Return the policy source that allows exactly this text in a ``<style>`` or ``<script>`` element."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def content_policy(styles: Iterable[str] = (), scripts: Iterable[str] = ()) -> str:
    """Return the content security policy: everything from here, inlined text by its hash only."""
    style = " ".join(f"'{source}'" for source in (_EMPTY_STYLE, *styles))
    script = " ".join(("'self'", *(f"'{source}'" for source in scripts)))
    return (
        f"default-src 'self'; img-src 'self' data: blob:; script-src {script}; "
        f"style-src 'self' {style}; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )


class SecurityHeaders:
    """Adds the headers that keep a page to itself; what a response set on its own stays."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap `app`."""
        self._app = app
        self._headers = {"Content-Security-Policy": content_policy(), **_HEADERS}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass through, completing the headers of the response."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        secure = is_secure(HTTPConnection(scope))

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-cache")
                if secure:
                    headers.setdefault("Strict-Transport-Security", f"max-age={_YEAR_S}")
            await send(message)

        await self._app(scope, receive, send_with_headers)


class LastResort:
    """Turns what nobody expected into a problem without a stack trace, and logs it with one."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap `app`."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass through, answering 500 when nothing has been sent yet."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = False

        async def watch(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self._app(scope, receive, watch)
        except Exception:
            _log.exception("api.request.failed", method=scope["method"], path=scope["path"])
            if started:
                raise
            found = problems.problem(500, "Something went wrong here; it has been written to the log.")
            await problems.answer(found)(scope, receive, send)


class SameSiteOnly:
    """Refuses changes that another site asked a browser for.

    Browsers say where a request comes from in ``Sec-Fetch-Site``; over plain HTTP on a local name
    they leave it out, and then ``Origin`` must name the host that was asked. Programs send neither; with
    the cookie of a session one of the two has to be there. A token speaks for itself.
    """

    def __init__(self, app: ASGIApp) -> None:
        """Wrap `app`."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass through, or answer 403."""
        if scope["type"] == "http" and scope["method"] in _CHANGING and not _own(HTTPConnection(scope)):
            found = problems.problem(403, "This change was asked for by another site.", code="other_site")
            await problems.answer(found)(scope, receive, send)
            return
        await self._app(scope, receive, send)


def _own(request: HTTPConnection) -> bool:
    headers = request.headers
    if bearer_of(request) is not None:
        return True  # no browser adds a token by itself
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in {"same-origin", "none"}
    origin = headers.get("origin")
    if origin is None:
        return secret_of(request) is None
    return origin != "null" and urlsplit(origin).netloc == headers.get("host")
