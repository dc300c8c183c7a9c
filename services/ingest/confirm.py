"""Telling units up to where their samples are durable, not more often than a slow link likes."""

from collections.abc import Iterable, Mapping, Sequence

import orjson

from services.store import Skipped, StoreReader
from services.telemetry import topics

PAUSE_MS = 200
"""At most five confirmations a second and unit (design 3.1); a delayed one still goes out."""
BOOTS_NAMED = 32
"""Boots a confirmation speaks of: the newest, and those just heard of."""
SKIPPED_NAMED = 64
"""Stretches declared missing that a confirmation names, the newest ones."""


class Confirmations:
    """Which units are owed a confirmation, and when each got its last."""

    def __init__(self, store: StoreReader) -> None:
        """Confirm what `store` holds."""
        self._store = store
        self._owed: dict[str, set[int]] = {}
        self._sent_ms: dict[str, int] = {}

    def owe(self, unit: str, bids: Iterable[int] = ()) -> None:
        """Remember that something about a unit was committed."""
        self._owed.setdefault(unit, set()).update(bids)

    def due(self, now_ms: int) -> list[tuple[str, bytes]]:
        """Return the confirmations that may go out now, as topic and payload."""
        ready = [
            unit
            for unit in self._owed
            if not 0 <= now_ms - self._sent_ms.get(unit, now_ms - PAUSE_MS) < PAUSE_MS
        ]
        sent = []
        for unit in ready:
            marks, skipped = self._store.marks(unit), self._store.skipped(unit)
            bids = self._owed.pop(unit)
            if any(mark >= 0 for mark in marks.values()):
                sent.append((topics.topic(unit, "down/ack"), confirmation(marks, skipped, bids)))
                self._sent_ms[unit] = now_ms
        return sent


def confirmation(marks: Mapping[int, int], skipped: Sequence[Skipped], bids: set[int]) -> bytes:
    """Return the payload that tells a unit what is held of its boots."""
    in_order = sorted((bid, mark) for bid, mark in marks.items() if mark >= 0)
    named = [*in_order[-BOOTS_NAMED:], *(pair for pair in in_order[:-BOOTS_NAMED] if pair[0] in bids)]
    # Written directly, because thousands go out; a test holds it to the published model `Ack`.
    return orjson.dumps(
        {
            "v": 1,
            "acks": [{"bid": bid, "sq": mark} for bid, mark in sorted(named)],
            "skipped": [
                {"bid": each.bid, "from": each.from_sq, "to": each.to_sq, "reason": each.reason}
                for each in skipped[-SKIPPED_NAMED:]
            ],
        }
    )
