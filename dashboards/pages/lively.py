"""What a page needs to keep itself current while somebody looks at it."""

from dataclasses import dataclass
from datetime import UTC

from dashboards import text
from services.api.desk import Desk

_EVERY_MS = 5_000


@dataclass(frozen=True, slots=True)
class Live:
    """The moment a page was made, and from which change on the server tells it more."""

    now_ms: int
    change: int
    made: str
    units: tuple[str, ...]
    """Cabinets the page is about; empty where every one concerns it."""
    every_ms: int
    """Not fetched more often than this."""


def live_of(desk: Desk, *units: str, every_ms: int = _EVERY_MS) -> Live:
    """Return where live changes begin for a page.

    Asked before anything else is read, so that a change in between is fetched twice, not missed.
    """
    change, now_ms = desk.newest_change(), desk.now_ms()
    return Live(now_ms, change, f"{text.stamp(now_ms, UTC)} UTC", units, every_ms)
