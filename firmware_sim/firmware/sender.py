"""What goes out next: the newest sample, what was asked for again, the backlog, and what goes once more."""

import time
from collections import deque
from collections.abc import Callable, Iterable

import structlog

from firmware_sim.firmware.packing import SAMPLES_A_PACK, first_pack, samples_of
from firmware_sim.firmware.timekeeping import UNSET
from firmware_sim.firmware.unit import Firmware
from services.telemetry.messages import Ack
from services.telemetry.packs import MESSAGE_EXPIRY_S

log = structlog.get_logger(__name__)

UNCONFIRMED_PACKS = 10
RESEND_AFTER_S = 30.0
RESEND_AT_MOST_S = 3600.0

Publish = Callable[[str, bytes, int | None], None]
"""Leaf, payload, and for how long it makes sense. [s]"""


class Sender:
    """Walks through one unit's ring; knows no network."""

    def __init__(
        self,
        firmware: Firmware,
        publish: Publish,
        *,
        now_ms: Callable[[], int],
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Send with `publish`; `now_ms` is the counter uptime is taken from."""
        self._firmware = firmware
        self._ring = firmware.ring
        self._publish_with = publish
        self._now_ms = now_ms
        self._monotonic_s = monotonic_s
        self._marks: dict[int, int] = {}
        self._cursor = 0
        self._live = 0
        self._in_flight: deque[int] = deque()
        self._again: deque[tuple[int, int]] = deque()
        self._moved_s = monotonic_s()
        self._resend_s = RESEND_AFTER_S
        self._behind_ms: dict[int, int] = {}
        self.sent = 0
        """Samples handed on, repeats too."""

    def begin(self, end: int) -> None:
        """Begin a connection: one live sample, then the backlog from the oldest."""
        self._cursor = self._ring.counts().freed
        self._live = max(0, end - 1)
        self._in_flight.clear()
        self._moved_s, self._resend_s = self._monotonic_s(), RESEND_AFTER_S

    def confirmed(self, ack: Ack) -> None:
        """Free what the service holds, or has declared missing."""
        for mark in ack.acks:
            self._marks[mark.bid] = max(self._marks.get(mark.bid, -1), mark.sq)
        before = self._ring.counts().freed
        freed = self._ring.free(self._marks)
        if freed > before:
            self._moved_s, self._resend_s = self._monotonic_s(), RESEND_AFTER_S
        self._cursor = max(self._cursor, freed)
        while self._in_flight and self._in_flight[0] <= freed:
            self._in_flight.popleft()

    def send_again(self, stretches: Iterable[tuple[int, int]]) -> None:
        """Send stretches of the ring again, as somebody asked for them."""
        self._again.extend(stretches)

    def turn(self, end: int, *, each_sample: bool = True) -> None:
        """Send what may be sent of everything below `end`."""
        self._watch_progress()
        if each_sample:
            self._send_live(end)
        self._send_asked()
        while self._cursor < end and len(self._in_flight) < UNCONFIRMED_PACKS:
            self._cursor = self._publish("up/bulk", self._cursor, end)
            self._in_flight.append(self._cursor)

    def idle(self, end: int) -> bool:
        """Tell whether everything below `end` is confirmed and nothing was asked for."""
        return not self._again and self._ring.counts().freed >= end

    def stalled_s(self) -> float:
        """Return for how long nothing was confirmed [s]."""
        return self._monotonic_s() - self._moved_s

    def _watch_progress(self) -> None:
        """Send again from the oldest when nothing was confirmed for long; ever more patiently."""
        freed = self._ring.counts().freed
        if self._cursor <= freed:
            self._moved_s = self._monotonic_s()
        elif self.stalled_s() > self._resend_s:
            log.info("radio.resend", unit=self._firmware.build.unit, samples=self._cursor - freed)
            self._cursor = freed
            self._in_flight.clear()
            self._moved_s = self._monotonic_s()
            self._resend_s = min(2.0 * self._resend_s, RESEND_AT_MOST_S)

    def _publish(self, leaf: str, start: int, end: int) -> int:
        """Send one pack from the records ``[start, end)`` and return the index after it."""
        upto = min(end, start + SAMPLES_A_PACK)
        records = self._ring.read(start, upto)
        if not records.size:
            return upto
        samples = samples_of(
            self._firmware.build.unit, self._ring.channels, records, boot_began=self._firmware.boot_began
        )
        relative = samples[0].tq == UNSET
        payload, size = first_pack(samples, up_now_ms=self._up_now_ms(samples[0].bid) if relative else 0)
        self._publish_with(leaf, payload, MESSAGE_EXPIRY_S if relative else None)
        self.sent += size
        return int(records["index"][size]) if size < records.size else upto

    def _up_now_ms(self, bid: int) -> int:
        """Return the present uptime as an earlier boot would count it, the pauses between left out.

        Only for a boot that no clock counted on from: one whose clock has its own battery is dated.

        Nobody knows how long the supply was away, so samples of such a boot seem younger than they are;
        their clock quality stays 0.
        """
        up_ms = round(self._firmware.now(self._now_ms())[1] * 1000.0)
        if bid == self._firmware.bid:
            return up_ms
        if bid not in self._behind_ms:
            self._behind_ms[bid] = self._ring.uptime_since(bid, before=self._firmware.bid)
        return up_ms + self._behind_ms[bid]

    def _send_live(self, end: int) -> None:
        """Send the newest sample at once; when nothing older waits, it need not be sent again."""
        if self._live >= end:
            return
        newest = end - 1
        self._publish("up/data", newest, end)
        self._live = end
        if self._cursor == newest:
            self._cursor = end

    def _send_asked(self) -> None:
        while self._again and len(self._in_flight) < UNCONFIRMED_PACKS:
            start, end = self._again.popleft()
            after = self._publish("up/bulk", start, end)
            if after < end:
                self._again.appendleft((after, end))
                return  # a stretch asked for is confirmed late or never: one pack a turn
