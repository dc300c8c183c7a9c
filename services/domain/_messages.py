"""Messages to people and things: what is written into the outbox, and what became of it."""

from typing import Any, Literal

from pydantic import Field

from services.domain._frozen import Frozen
from services.domain._notices import NoticePriority
from services.domain._reach import WayKind
from services.domain._reasoned import Instant

MessageAbout = Literal["notice", "over", "digest", "test"]
SentState = Literal["waiting", "sent", "not_delivered"]
"""Sent: whoever passes it on has taken it, which is not yet that somebody read it."""


class Message(Frozen):
    """One message over one way; what has the same key is the same message, and goes once."""

    key: str = Field(min_length=1, max_length=200)
    way: int
    kind: WayKind
    target: str = Field(repr=False)
    """Address: personal or secret, so in no log and in no line that is shown."""
    person: str | None = None
    """Whose way it is; None of a thing, such as a lamp."""
    subject: str = ""
    body: str = ""
    priority: NoticePriority | None = None
    about: MessageAbout
    notice: int | None = None
    data: dict[str, Any] = Field(default_factory=dict)
    """For machines: what a web address is told; of a lamp its `pattern`."""
    not_after_ms: int | None = None
    """When telling it has lost its use; None is a day."""


class Sent(Frozen):
    """A message with what became of it."""

    message: Message
    state: SentState
    tries: int
    why: str
    """What stood in the way at the last try; empty where nothing did."""
    put_ms: Instant
    tried_ms: Instant | None
    """When it was last tried."""
    again_ms: Instant | None
    """When it is tried again, of one that waits."""
    done_ms: Instant | None
    """When it was taken, or given up."""
