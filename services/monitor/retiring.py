"""Lets records go whose time is over: a few at a time, so that nobody waits for it."""

import structlog

from services.records.facade import Records
from services.timebase import HOUR_MS, iso_of

AT_ONCE = 50
"""Records of each kind in one go: 0.05 s of a processor (measured)."""
BETWEEN_MS = 2_000
"""From one go to the next while there is more."""

_log = structlog.get_logger(__name__)


class Retiring:
    """Looks every hour for records that are too old."""

    def __init__(self, records: Records, keep_ms: int) -> None:
        """Let go of what is older than `keep_ms`."""
        self._records = records
        self._keep_ms = keep_ms
        self._next_ms = 0

    def step(self, now_ms: int) -> int:
        """Let some go where their time is over; return how many."""
        if self._next_ms - HOUR_MS <= now_ms < self._next_ms:
            return 0
        older_ms = now_ms - self._keep_ms
        gone = self._records.expire(older_ms, now_ms=now_ms, most=AT_ONCE)
        self._next_ms = now_ms + (BETWEEN_MS if gone else HOUR_MS)
        if gone:
            _log.info("records.expired", count=gone, before=iso_of(older_ms))
        return gone
