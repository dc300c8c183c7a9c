"""A web server's ear that hangs up on whoever begins to ask and does not go on."""

import asyncio
from typing import ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle


class Impatient(H11Protocol):
    """Closes a connection on which no request was finished asking for a while."""

    head_s: ClassVar[float] = 15.0
    """How long the head of a request may take, up to twice as long; a judgement. [s]"""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to look."""
        super().connection_made(transport)
        self._seen: object = self
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop looking."""
        self._next.cancel()
        super().connection_lost(exc)

    def _look(self) -> None:
        """Hang up where nothing was asked since the last look and nothing is being answered."""
        asked: RequestResponseCycle | None = self.cycle
        answering = asked is not None and not asked.response_complete
        if not answering and self._seen is asked:
            self.transport.close()
            return
        self._seen = asked if not answering else self
        self._next = self.loop.call_later(self.head_s, self._look)
