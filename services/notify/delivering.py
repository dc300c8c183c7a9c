"""Takes messages from the outbox to whoever passes them on, each kind by itself: none waits for another.

At least once is what can be promised: where the process dies between a server's answer and the line that
says so, the message goes again, under the same number (Message-ID, event id), by which it can be told.
"""

import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import structlog

from services.domain import Message, WayKind
from services.errors import DependencyUnavailable
from services.notify.failures import NotTakenError
from services.timebase import MINUTE_MS, SECOND_MS

AT_ONCE = 2
"""Messages of one kind that are on their way at once."""
HOLD_MS = 2 * MINUTE_MS
"""How long a message is this process's own: twice as long as sending may take."""
AGAIN_MIN = (1, 2, 5, 15, 60)
"""Minutes until the next try; the last one goes on (judgement)."""
LAMP_AGAIN_S = (2, 5, 15, 30, 60)
"""Seconds: a lamp hangs on our own broker, and what it shows cannot wait (judgement)."""
_FAULT = "A fault in the service itself; its log says which."

Sender = Callable[[Message], str]
"""Sends a message and says in words who took it, or raises `NotTakenError`."""

_log = structlog.get_logger(__name__)


class Outbox(Protocol):
    """What delivering needs of the records; the facade is the real one."""

    def claim_out(
        self, *, now_ms: int, most: int, hold_ms: int, kind: WayKind | None = None
    ) -> list[Message]:
        """Return messages whose time has come, for this caller alone for a while."""

    def out_done(self, key: str, now_ms: int) -> None:
        """Write down that a message was taken."""

    def out_failed(self, key: str, why: str, *, now_ms: int, again_ms: int | None) -> None:
        """Write down what stood in the way."""

    def out_tries(self, key: str) -> tuple[int, int, int] | None:
        """Return how often a message was tried, when it was put out, and when it loses its use."""


@dataclass(slots=True)
class Figures:
    """What delivering says of itself."""

    sent: int = 0
    failed: int = 0
    given_up: int = 0


@dataclass(slots=True)
class _Flight:
    """A message on its way, and what came of it until that is written down."""

    message: Message
    trouble: NotTakenError | None = None
    unwritten: bool = False
    """Whether it has ended, and the records did not answer when that was to be written down."""


class Delivering:
    """Sends what waits in the outbox."""

    def __init__(
        self,
        records: Outbox,
        senders: Mapping[WayKind, Sender],
        clock: Callable[[], int],
        *,
        prepare: Callable[[Message], Message] = lambda message: message,
    ) -> None:
        """Take the outbox, who sends what, and what makes of a message what goes out."""
        self.figures = Figures()
        self._records = records
        self._senders = senders
        self._clock = clock
        self._prepare = prepare
        self._flights: dict[str, _Flight] = {}
        self._lock = threading.Lock()

    def step(self, now_ms: int) -> int:
        """Write down what could not be written before, and send what waits; return how many were begun."""
        for flight in self._in_flight():
            if flight.unwritten:
                self._write_down(flight)
        return sum(self._begin(kind, now_ms) for kind in self._senders)

    def _in_flight(self) -> list[_Flight]:
        with self._lock:
            return list(self._flights.values())

    def _begin(self, kind: WayKind, now_ms: int) -> int:
        free = AT_ONCE - sum(flight.message.kind == kind for flight in self._in_flight())
        if free <= 0:
            return 0
        claimed = self._records.claim_out(now_ms=now_ms, most=free, hold_ms=HOLD_MS, kind=kind)
        fresh = [message for message in claimed if message.key not in self._flights]
        for message in fresh:
            flight = _Flight(message)
            with self._lock:
                self._flights[message.key] = flight
            # A thread that hangs in another machine's answer keeps nobody from stopping.
            threading.Thread(target=self._fly, args=(flight,), name=f"send-{kind}", daemon=True).start()
        return len(fresh)

    def _fly(self, flight: _Flight) -> None:
        message = flight.message
        try:
            self._send(message)
        except NotTakenError as trouble:
            flight.trouble = trouble
        except DependencyUnavailable:
            self._leave(flight)  # the records do not answer: it comes free when its time is over
            return
        except Exception:  # noqa: BLE001 - the outermost of a thread
            _log.exception("notify.send.failed", kind=message.kind, way=message.way, key=message.key)
            flight.trouble = NotTakenError(_FAULT)
        self._write_down(flight)

    def _send(self, message: Message) -> None:
        if message.not_after_ms is not None and message.not_after_ms <= self._clock():
            raise NotTakenError("It had lost its use before it could be sent.", lasting=True)
        self._senders[message.kind](self._prepare(message))

    def _write_down(self, flight: _Flight) -> None:
        """Say what came of a message; where the records do not answer, the next step says it."""
        key, now_ms = flight.message.key, self._clock()
        try:
            if flight.trouble is None:
                self._records.out_done(key, now_ms)
                self.figures.sent += 1
                _log.info("notify.sent", kind=flight.message.kind, way=flight.message.way, key=key)
            else:
                self._failed(flight.message, flight.trouble, now_ms)
        except DependencyUnavailable as error:
            _log.warning("notify.dependency.unavailable", error=str(error), key=key)
            flight.unwritten = True
            return
        self._leave(flight)

    def _failed(self, message: Message, trouble: NotTakenError, now_ms: int) -> None:
        known = self._records.out_tries(message.key)
        tries, _, end_ms = (0, now_ms, now_ms) if known is None else known
        again_ms = None if trouble.lasting else again_at(message.kind, tries, now_ms, end_ms, random.random())  # noqa: S311
        self._records.out_failed(message.key, trouble.words, now_ms=now_ms, again_ms=again_ms)
        self.figures.failed += 1
        self.figures.given_up += again_ms is None
        _log.warning(
            "notify.not_taken",
            kind=message.kind,
            way=message.way,
            key=message.key,
            why=trouble.words,
            given_up=again_ms is None,
        )

    def _leave(self, flight: _Flight) -> None:
        with self._lock:
            self._flights.pop(flight.message.key, None)


def again_at(kind: WayKind, tries: int, now_ms: int, end_ms: int, chance: float) -> int | None:
    """Return when a message is tried again that failed after so many tries before, None when it is over.

    `chance` from 0 to 1 spreads what failed together over a fifth of the wait; one last try comes shortly
    before the end.
    """
    if kind == "lamp":
        wait_ms = LAMP_AGAIN_S[min(tries, len(LAMP_AGAIN_S) - 1)] * SECOND_MS
    else:
        wait_ms = AGAIN_MIN[min(tries, len(AGAIN_MIN) - 1)] * MINUTE_MS
    wait_ms = round(wait_ms * (0.9 + 0.2 * chance))
    last_ms = end_ms - 10 * SECOND_MS
    if now_ms + wait_ms <= last_ms:
        return now_ms + wait_ms
    return last_ms if last_ms - now_ms >= SECOND_MS else None
