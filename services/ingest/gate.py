"""The gate between link and store: the broker's own words go one way, too much from one unit goes nowhere."""

from collections.abc import Sequence

from services.ingest.brokerlog import FILTERS, FLOODING, WINDOW_MS, Alert, BrokerLog
from services.ingest.link import Arrival
from services.telemetry.topics import PACK_LEAVES

CAP_PER_S = 100.0
"""Messages a second that one unit may send for long. A unit that brings its past sends ten packs, waits for
a confirmation, and gets at most five of those a second: fifty, and events beside them."""
BURST = 1_000.0
"""Messages above that which are taken at once: what the broker kept while this service was away. Packs are
counted apart from events, replies and statuses: a unit sends packs again until they are confirmed, the rest
only until the broker has it."""


class _Bucket:
    """How much of one kind one unit may still send."""

    __slots__ = ("at_ms", "dropped", "left", "told_ms")

    def __init__(self, at_ms: int) -> None:
        self.left = BURST
        self.at_ms = at_ms
        self.dropped = 0
        self.told_ms: int | None = None

    def take(self, now_ms: int) -> bool:
        self.left = min(BURST, self.left + max(0, now_ms - self.at_ms) * CAP_PER_S / 1000.0)
        self.at_ms = now_ms
        if self.left < 1.0:
            self.dropped += 1
            return False
        self.left -= 1.0
        return True


class Gate:
    """Lets messages through, or not; a pack held back is not confirmed, so its unit sends it again."""

    def __init__(self) -> None:
        """Begin with full buckets."""
        self._log = BrokerLog()
        self._buckets: dict[tuple[str, bool], _Bucket] = {}
        self.capped = 0

    @property
    def refused_logins(self) -> int:
        """How many log-ins the broker refused since the start."""
        return self._log.refused

    def admit(self, arrivals: Sequence[Arrival]) -> list[Arrival]:
        """Return the messages that are to be stored."""
        admitted = []
        for arrival in arrivals:
            topic = arrival.delivery.topic
            if topic in FILTERS:
                self._log.hear(arrival.delivery.payload.decode(errors="replace"), arrival.received_ms)
            elif self._within_cap(topic, arrival.received_ms):
                admitted.append(arrival)
            else:
                self.capped += 1
        return admitted

    def alerts(self, now_ms: int) -> list[Alert]:
        """Return what an operator should know of by now."""
        told = self._log.alerts(now_ms)
        for key, bucket in list(self._buckets.items()):
            if bucket.dropped and (bucket.told_ms is None or now_ms - bucket.told_ms >= WINDOW_MS):
                body = {"held_back": bucket.dropped, "packs": key[1], "cap_per_s": CAP_PER_S}
                told.append(Alert(FLOODING, key[0], body))
                bucket.told_ms, bucket.dropped = now_ms, 0
            elif now_ms - bucket.at_ms > WINDOW_MS:
                del self._buckets[key]
        return told

    def _within_cap(self, topic: str, now_ms: int) -> bool:
        words = topic.split("/", 4)
        known = len(words) > 4  # noqa: PLR2004 - cold/v1/PART/UNIT/LEAF
        key = (words[3], words[4] in PACK_LEAVES) if known else (topic, False)
        bucket = self._buckets.get(key)
        if bucket is None:
            bucket = self._buckets[key] = _Bucket(now_ms)
        return bucket.take(now_ms)
