"""Words that were kept elsewhere until they could be sent: read from the request, answered without a page."""

import re

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from services.records.kept import Kept

KEY, PHONE = "idempotency-key", "said-on-phone"
"""Header with a key made where something is said, and with the clocks of the phone it was said on."""
_KEY = re.compile(r"[A-Za-z0-9_-]{16,64}")
_PHONE = re.compile(r"said=(\d{1,15}), sent=(\d{1,15})(?:, ahead=(-?\d{1,15}))?")
_SEE_OTHER, _CREATED = 303, 201


def kept_of(request: Request, now_ms: int) -> Kept | None:
    """Return how what a request says came here; None of what is said at once and once.

    Raises
    ------
    HTTPException
        422 when a header is not understood.
    """
    key, phone = request.headers.get(KEY), request.headers.get(PHONE)
    if request.method != "POST" or (key is None and phone is None):
        return None
    if key is None or not _KEY.fullmatch(key):
        raise HTTPException(422, "A key has 16 to 64 letters, digits, - or _.")
    if phone is None:
        return Kept(key, now_ms)
    found = _PHONE.fullmatch(phone)
    if found is None:
        raise HTTPException(422, "A phone tells said=…, sent=… and, if known, ahead=…, each in ms.")
    said, sent, ahead = (None if part is None else int(part) for part in found.groups())
    return Kept(key, now_ms, said, sent, ahead)


async def on_again(request: Request, error: Exception) -> Response:
    """Answer for a word that came before: it stands in the records, once."""
    del request, error
    return JSONResponse({"written": "before"})


class KeptAnswers:
    """Answers who sends with a key 201 and where to go on, instead of sending them there."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap `app`."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass through, turning 303 into 201."""
        if scope["type"] != "http" or HTTPConnection(scope).headers.get(KEY) is None:
            await self._app(scope, receive, send)
            return

        async def answered(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == _SEE_OTHER:
                message = {**message, "status": _CREATED}
                MutableHeaders(scope=message).setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, answered)
