"""What the broker says of those who knock: refused log-ins, and units that come back oddly often.

The broker publishes its own log under ``$SYS/broker/log``. It does not say who was refused, only from
where somebody had just connected, so addresses are told as "among".
"""

import re
from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from services.timebase import MINUTE_MS

FILTERS = ("$SYS/broker/log/N", "$SYS/broker/log/E")
"""Notices and errors; nothing is kept of them for a service that is away."""
WINDOW_MS = 10 * MINUTE_MS
"""How far back is counted, and how long the same trouble is not told again."""
TAKEN_OVER_OFTEN = 5
"""A connection that takes over from one still open: now and then where coverage is poor; two devices with
one credential throw each other out again and again. Judgement, in ten minutes."""
CONNECTED_OFTEN = 20
"""Connections of one unit in ten minutes; the firmware's own back-off allows fewer. Judgement."""
REFUSED, ODD, FLOODING = "logins_refused", "odd_reconnects", "unit_flooding"
_PLACES_KEPT = 5

_ARRIVED = re.compile(r"New connection from (\S+):\d+ on port \d+\.$")
_LET_IN = re.compile(r"New client connected from \S+ as (\S+) \(")
_REFUSED = re.compile(r"Client (\S+) disconnected, not authorised\.$")
_TAKEN_OVER = re.compile(r"Client (\S+) already connected, closing old connection\.$")


@dataclass(frozen=True, slots=True)
class Alert:
    """Something an operator should know of."""

    kind: str
    about: str
    """A unit, or the broker."""
    body: Mapping[str, Any]


@dataclass(slots=True)
class _Seen:
    """Moments of one thing within the window."""

    moments: deque[int] = field(default_factory=deque)
    told_ms: int | None = None

    def add(self, now_ms: int) -> int:
        self.moments.append(now_ms)
        while self.moments and self.moments[0] <= now_ms - WINDOW_MS:
            self.moments.popleft()
        return len(self.moments)

    def may_tell(self, now_ms: int) -> bool:
        if self.told_ms is not None and 0 <= now_ms - self.told_ms < WINDOW_MS:
            return False
        self.told_ms = now_ms
        return True


class BrokerLog:
    """Listens to the broker's log and says what is odd, each thing once in ten minutes."""

    def __init__(self) -> None:
        """Begin with nothing heard."""
        self.refused = 0
        """Refused log-ins so far."""
        self._refused = 0
        self._refused_since_ms = 0
        self._refused_told_ms: int | None = None
        self._places: Counter[str] = Counter()
        self._last_place = ""
        self._units: dict[tuple[str, str], _Seen] = {}
        self._alerts: list[Alert] = []

    def hear(self, words: str, now_ms: int) -> None:
        """Take one line of the log."""
        if found := _ARRIVED.search(words):
            self._last_place = found[1]
        elif _REFUSED.search(words):
            self._note_refused(now_ms)
        elif found := _TAKEN_OVER.search(words):
            self._note(found[1], "taken_over", TAKEN_OVER_OFTEN, now_ms)
        elif found := _LET_IN.search(words):
            self._note(found[1], "connected", CONNECTED_OFTEN, now_ms)

    def alerts(self, now_ms: int) -> list[Alert]:
        """Return what is to be told now."""
        told, self._alerts = self._alerts, []
        if self._refused and self._may_tell_refused(now_ms):
            among = [place for place, _ in self._places.most_common(_PLACES_KEPT)]
            body = {"count": self._refused, "since_ms": self._refused_since_ms, "among": among}
            told.append(Alert(REFUSED, "broker", body))
            self._refused = 0
            self._places.clear()
            self._refused_told_ms = now_ms
        self._forget(now_ms)
        return told

    def _note_refused(self, now_ms: int) -> None:
        if self._refused == 0:
            self._refused_since_ms = now_ms
        self._refused += 1
        self.refused += 1
        if len(self._places) < 1000 or self._last_place in self._places:  # noqa: PLR2004 - a bound on memory
            self._places[self._last_place] += 1

    def _may_tell_refused(self, now_ms: int) -> bool:
        return self._refused_told_ms is None or not 0 <= now_ms - self._refused_told_ms < WINDOW_MS

    def _note(self, client: str, what: str, often: int, now_ms: int) -> None:
        seen = self._units.setdefault((client, what), _Seen())
        count = seen.add(now_ms)
        if count >= often and seen.may_tell(now_ms):
            self._alerts.append(Alert(ODD, client, {what: count, "minutes": WINDOW_MS // MINUTE_MS}))

    def _forget(self, now_ms: int) -> None:
        """Let go of units that have been quiet, so that memory does not grow with every name ever heard."""
        quiet_ms = now_ms - WINDOW_MS
        for key in [key for key, seen in self._units.items() if seen.moments[-1] <= quiet_ms]:
            del self._units[key]
