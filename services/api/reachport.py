"""What reaching people needs of the records; the facade in services.records is the real one."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from services.domain import Message, Notice, OnCall, OnCallSaid, Sent, Way, WaySaid
from services.domain.telling import ReachLink
from services.records.crew import Account


class ReachBook(Protocol):
    """Ways, who is on call, what went out, as far as the pages and the API go."""

    def accounts(self) -> Sequence[Account]:
        """Return who has an account, and for which places."""

    def ways(self) -> Sequence[Way]:
        """Return every way there is."""

    def say_way(self, said: WaySaid, *, way: int | None = None, now_ms: int) -> int:
        """Write down what a new or an earlier way shall be from now on."""

    def set_way_off(self, way: int, *, off: bool, who: str, now_ms: int) -> None:
        """Let a way rest, or use it again."""

    def drop_way(self, way: int, *, who: str, now_ms: int) -> None:
        """Take a way away."""

    def on_calls(self) -> Mapping[str, OnCall]:
        """Return who is on call, by place."""

    def say_on_call(self, said: OnCallSaid, *, now_ms: int) -> None:
        """Write down who hears next at a place, and who watches at night."""

    def put_out(self, messages: Iterable[Message], *, now_ms: int) -> int:
        """Put messages out."""

    def outbox(
        self, *, person: str | None = None, notice: int | None = None, since_ms: int, limit: int = 500
    ) -> Sequence[Sent]:
        """Return messages put out since a moment, newest first."""

    def link(self, secret: str) -> ReachLink | None:
        """Return what a link is for."""

    def take_by_link(self, secret: str, *, now_ms: int) -> Notice:
        """Write down that whom a link was sent to takes its notice."""
