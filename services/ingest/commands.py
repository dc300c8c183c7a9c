"""Commands on their way to units; ingest is the only part that publishes."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import structlog

from services.ingest.link import Post
from services.ingest.repair import Question
from services.store import TelemetryStore
from services.telemetry import topics
from services.telemetry.messages import Command

BACKFILL_EXPIRY_S = 3_600
"""A question for missing samples is asked again later, so an old one need not wait for the unit."""

_log = structlog.get_logger(__name__)


class Queued(Protocol):
    """A command somebody has queued, in order of `id`."""

    @property
    def id(self) -> int:
        """Number in the queue."""

    @property
    def unit(self) -> str:
        """Who is asked."""

    @property
    def name(self) -> str:
        """What is asked."""

    @property
    def arguments(self) -> Mapping[str, Any]:
        """With what."""

    @property
    def expires_ms(self) -> int:
        """When it makes no sense any more."""

    @property
    def correlation(self) -> bytes:
        """Sixteen random bytes that tie the reply to it."""


Outbox = Callable[[int], Sequence[Queued]]
"""Gives the commands queued after a number."""


class Commands:
    """Publishes queued commands once each, remembering in the store which have gone out."""

    def __init__(self, store: TelemetryStore, outbox: Outbox) -> None:
        """Continue after the newest command that was sent."""
        self._store = store
        self._outbox = outbox
        self._after = max((int(number) for number in store.sent_commands()), default=0)

    def send(self, post: Callable[[Post], None], now_ms: int) -> int:
        """Publish what was queued since the last look and return how many that were."""
        sent = 0
        for queued in self._outbox(self._after):
            left_s = (queued.expires_ms - now_ms) // 1000
            if left_s > 0:
                post(command_post(queued.unit, queued.name, queued.arguments, queued.correlation, left_s))
                _log.info("ingest.command.sent", unit=queued.unit, command=queued.name, number=queued.id)
                sent += 1
            self._store.mark_sent(str(queued.id), now_ms)
            self._after = max(self._after, queued.id)
        return sent


def backfill_post(question: Question) -> Post:
    """Return the command that asks a unit for a stretch of samples."""
    stretch = {"bid": question.bid, "from": question.from_sq, "to": question.to_sq}
    return command_post(question.unit, "backfill", stretch, question.correlation, BACKFILL_EXPIRY_S)


def command_post(
    unit: str, name: str, arguments: Mapping[str, Any], correlation: bytes, expiry_s: int
) -> Post:
    """Return a command as it is published."""
    command = Command.model_validate({"name": name, "args": dict(arguments)})
    return Post(
        topics.topic(unit, "down/cmd"),
        command.to_json(),
        response_topic=topics.topic(unit, "up/resp"),
        correlation=correlation,
        expiry_s=expiry_s,
    )
