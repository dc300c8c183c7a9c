"""How much may be sent to the pages at once, and how long it may take: nobody keeps others waiting."""

import asyncio
from collections.abc import Mapping

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from services.api import problems
from services.domain.fleetcsv import MOST_BYTES

LARGEST_BYTES = 1 << 20
"""No form and no word of a phone comes near it (judgement)."""
LONGEST_S = 30.0
"""A megabyte over a slow camp's network takes less (judgement)."""

LARGER: Mapping[str, int] = {"/admin/rows": MOST_BYTES + (64 << 10)}
"""Addresses to which a whole file is handed in, with what stands around it in the form."""

_TOO_LARGE = "That is more than can be sent at once: at most {mb} MB."
_TOO_SLOW = "It took too long to come. Send it again."


class BodyLimits:
    """Takes the body of a request in whole, if it is small and comes soon, before anything else does."""

    def __init__(self, app: ASGIApp, *, largest: int = LARGEST_BYTES, longest_s: float = LONGEST_S) -> None:
        """Wrap `app`."""
        self._app = app
        self._largest = largest
        self._longest_s = longest_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass through, or answer 408 or 413."""
        if scope["type"] != "http" or not _has_body(scope):
            await self._app(scope, receive, send)
            return
        largest = LARGER.get(scope["path"], self._largest)
        try:
            body = await asyncio.wait_for(self._whole(scope, receive, largest), self._longest_s)
        except TimeoutError:
            await _refuse(408, "too_slow", _TOO_SLOW)(scope, receive, send)
            return
        if body is None:
            words = _TOO_LARGE.format(mb=max(1, largest // 1_000_000))
            await _refuse(413, "too_large", words)(scope, receive, send)
            return
        await self._app(scope, _first(body, receive), send)

    async def _whole(self, scope: Scope, receive: Receive, largest: int) -> list[Message] | None:
        """Return what comes until the body ends; None where it is too large."""
        told = HTTPConnection(scope).headers.get("content-length", "")
        if told.isdigit() and int(told) > largest:
            return None
        found: list[Message] = []
        size = 0
        while True:
            message = await receive()
            size += len(message.get("body", b""))
            if size > largest:
                return None
            found.append(message)
            if message["type"] != "http.request" or not message.get("more_body", False):
                return found


def _has_body(scope: Scope) -> bool:
    headers = HTTPConnection(scope).headers
    return "transfer-encoding" in headers or headers.get("content-length", "0") != "0"


def _refuse(status: int, code: str, words: str) -> ASGIApp:
    found = problems.problem(status, words, code=code)
    return problems.answer(found, {"Connection": "close"})  # what is still to come is not read


def _first(messages: list[Message], receive: Receive) -> Receive:
    waiting = iter(messages)

    async def again() -> Message:
        return next(waiting, None) or await receive()

    return again
