"""The unit's link: one MQTT 5 client that connects, sends what is kept and listens for what is confirmed."""

import random
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

import structlog
from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from firmware_sim.firmware.packing import SAMPLES_A_PACK, first_pack, samples_of
from firmware_sim.firmware.unit import Firmware
from services.errors import ConfigurationError
from services.telemetry import Rejected
from services.telemetry.messages import Ack, Command, Event, parse_message
from services.telemetry.topics import topic

log = structlog.get_logger(__name__)

KEEPALIVE_S = 60
SESSION_S = 7 * 86_400
WILL_DELAY_S = 120
UNCONFIRMED_PACKS = 10
RESEND_AFTER_S = 30.0
RESEND_AT_MOST_S = 3600.0
EVENTS_KEPT = 50
RETRY_FIRST_S = 0.5
RETRY_AT_MOST_S = 60.0
WAIT_S = 0.1
_WITH_WILL = 4


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call] # the client library does not say


@dataclass(frozen=True)
class BrokerAt:
    """Where the broker is and who knocks."""

    host: str
    port: int
    user: str | None = None
    password: str | None = None

    @staticmethod
    def of(url: str) -> "BrokerAt":
        """Return the address in ``mqtt://[USER:PASSWORD@]HOST[:PORT]``.

        Raises
        ------
        ConfigurationError
            If the text is none.
        """
        try:
            at = urlsplit(url)
            port = at.port
        except ValueError as error:
            raise ConfigurationError(f"not mqtt://HOST:PORT: {error}", setting="broker") from error
        if at.scheme != "mqtt" or at.hostname is None:
            raise ConfigurationError("not mqtt://HOST:PORT", setting="broker")
        return BrokerAt(at.hostname, 1883 if port is None else port, at.username, at.password)


@dataclass(frozen=True)
class Away:
    """A stretch without coverage: nothing measured from `start_ms` on is sent before `end_ms`."""

    start_ms: int
    end_ms: int


class Radio(threading.Thread):
    """Carries one unit's samples to the broker until stopped; everything happens in this one thread."""

    def __init__(
        self,
        firmware: Firmware,
        broker: BrokerAt,
        *,
        stop: threading.Event,
        now_ms: Callable[[], int],
        away: Sequence[Away] = (),
        seed: int = 0,
    ) -> None:
        super().__init__(name=f"radio-{firmware.build.unit}", daemon=True)
        self._firmware = firmware
        self._ring = firmware.ring
        self._unit = firmware.build.unit
        self._stop_event = stop
        self._now_ms = now_ms
        self._away = tuple(away)
        self._random = random.Random(f"{seed}/{self._unit}")  # noqa: S311 - spreads reconnects, no secret
        self._broker = broker
        self._marks: dict[int, int] = {}
        self._inbox: deque[MQTTMessage] = deque()
        self._announced_bid = -1
        self._client = self._made_client()
        self._connected = False
        self._greeted = False
        self._cursor = 0
        self._live = 0
        self._in_flight: deque[int] = deque()
        self._again: deque[tuple[int, int]] = deque()
        self._moved_s = time.monotonic()
        self._resend_s = RESEND_AFTER_S
        self._retry_s = RETRY_FIRST_S
        self._next_try_s = 0.0
        self._events: deque[Event] = deque(maxlen=EVENTS_KEPT)
        self.sent = 0
        """Samples handed to the broker, repeats too."""

    def _made_client(self) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=self._unit, protocol=MQTTProtocolVersion.MQTTv5
        )
        if self._broker.user is not None:
            client.username_pw_set(self._broker.user, self._broker.password)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        return client

    def _on_connect(
        self,
        client: Client,
        _user: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _more: Properties | None,
    ) -> None:
        if reason.is_failure:
            return
        self._connected = True
        self._retry_s = RETRY_FIRST_S
        client.subscribe([(topic(self._unit, leaf), 1) for leaf in ("down/ack", "down/cmd")])

    def _on_message(self, _client: Client, _user: object, message: MQTTMessage) -> None:
        self._inbox.append(message)

    def tell(self, events: Iterable[Event]) -> None:
        """Send events when there is a connection; the newest are kept until then."""
        self._events.extend(events)

    def run(self) -> None:
        """Work until stopped, then go off the air the way a unit does that loses its power."""
        while not self._stop_event.is_set():
            if not self._on_air():
                self._leave()
                self._stop_event.wait(WAIT_S)
            elif self._client.socket() is None:
                self._connect()
            else:
                self._turn()
        self._leave()

    def held_back(self) -> int:
        """Return how many samples wait because the unit is where no network reaches it."""
        end, away = self._horizon()
        return self._ring.counts().written - end if away else 0

    def _horizon(self) -> tuple[int, bool]:
        """Return up to which ring index samples may be sent now, and whether coverage is missing."""
        now_ms = self._now_ms()
        for away in self._away:
            if away.start_ms <= now_ms < away.end_ms:
                return self._ring.index_at(away.start_ms), True
        return self._ring.counts().written, False

    def _on_air(self) -> bool:
        """Tell whether there is coverage; what was sent before it was lost still gets through."""
        end, away = self._horizon()
        return not away or self._ring.counts().freed < end

    def _connect(self) -> None:
        if time.monotonic() < self._next_try_s:
            self._stop_event.wait(min(WAIT_S, self._next_try_s - time.monotonic() + 0.001))
            return
        properties = _properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = SESSION_S
        will = _properties(PacketTypes.WILLMESSAGE)
        will.WillDelayInterval = WILL_DELAY_S
        status = topic(self._unit, "status")
        lost = self._firmware.status("lost").to_json()
        self._client.will_set(status, lost, qos=1, retain=True, properties=will)
        self._connected = self._greeted = False
        try:
            self._client.connect(
                self._broker.host, self._broker.port, KEEPALIVE_S, clean_start=False, properties=properties
            )
        except OSError as error:
            log.info("radio.connect.failed", unit=self._unit, reason=str(error))
        self._back_off()

    def _back_off(self) -> None:
        """Set the earliest next attempt: doubling, with jitter, so that a fleet does not knock as one."""
        self._next_try_s = time.monotonic() + self._retry_s * self._random.uniform(0.5, 1.5)
        self._retry_s = min(self._retry_s * 2.0, RETRY_AT_MOST_S)

    def _leave(self) -> None:
        """Go off the air; the broker is asked to keep the will, as if the link had failed."""
        if self._client.socket() is not None:
            self._client.disconnect(reasoncode=ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL))
            for _ in range(20):
                if self._client.socket() is None or self._client.loop(0.05) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
        self._connected = self._greeted = False

    def _turn(self) -> None:
        """One round: the network, what came in, what goes out."""
        if self._client.loop(WAIT_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._connected = self._greeted = False
            return
        if not self._connected:
            return
        end, _ = self._horizon()
        if not self._greeted:
            self._greet(end)
        while self._inbox:
            self._receive(self._inbox.popleft())
        if self._firmware.bid != self._announced_bid:
            self._leave()  # rebooted: the next connection carries a will of the new boot
            return
        while self._events:
            self._client.publish(topic(self._unit, "up/event"), self._events.popleft().to_json(), qos=1)
        self._watch_progress()
        self._send_live(end)
        self._send_again()
        self._send_backlog(end)

    def _greet(self, end: int) -> None:
        """Begin a connection: status first, then one live sample; the backlog starts at the oldest."""
        self._client.publish(
            topic(self._unit, "status"), self._firmware.status().to_json(), qos=1, retain=True
        )
        self._cursor = self._ring.counts().freed
        self._live = max(0, end - 1)
        self._in_flight.clear()
        self._moved_s, self._resend_s = time.monotonic(), RESEND_AFTER_S
        self._greeted = True
        if self._firmware.bid != self._announced_bid:
            self._announced_bid = self._firmware.bid
            self._client.publish(topic(self._unit, "up/event"), self._firmware.boot_event().to_json(), qos=1)

    def _receive(self, message: MQTTMessage) -> None:
        if message.topic == topic(self._unit, "down/ack"):
            ack = parse_message(Ack, bytes(message.payload), unit=self._unit)
            if isinstance(ack, Rejected):
                log.warning("radio.ack.rejected", unit=self._unit, reason=ack.reason)
                return
            for mark in ack.acks:
                self._marks[mark.bid] = max(self._marks.get(mark.bid, -1), mark.sq)
            self._confirmed()
        elif not message.retain:
            self._command(message)

    def _confirmed(self) -> None:
        before = self._ring.counts().freed
        freed = self._ring.free(self._marks)
        if freed > before:
            self._moved_s, self._resend_s = time.monotonic(), RESEND_AFTER_S
        self._cursor = max(self._cursor, freed)
        while self._in_flight and self._in_flight[0] <= freed:
            self._in_flight.popleft()

    def _watch_progress(self) -> None:
        """Send again from the oldest when nothing was confirmed for long; ever more patiently."""
        freed = self._ring.counts().freed
        if self._cursor <= freed:
            self._moved_s = time.monotonic()
        elif time.monotonic() - self._moved_s > self._resend_s:
            log.info("radio.resend", unit=self._unit, samples=self._cursor - freed)
            self._cursor = freed
            self._in_flight.clear()
            self._moved_s = time.monotonic()
            self._resend_s = min(2.0 * self._resend_s, RESEND_AT_MOST_S)

    def _publish(self, leaf: str, start: int, end: int) -> int:
        """Send one pack from the records ``[start, end)`` and return the index after it."""
        records = self._ring.read(start, min(end, start + SAMPLES_A_PACK))
        if not records.size:
            return end
        payload, size = first_pack(samples_of(self._unit, self._ring.channels, records))
        self._client.publish(topic(self._unit, leaf), payload, qos=1)
        self.sent += size
        return start + size

    def _send_live(self, end: int) -> None:
        """Send the newest sample at once; when nothing older waits, it need not be sent again."""
        if self._live >= end:
            return
        newest = end - 1
        self._publish("up/data", newest, end)
        self._live = end
        if self._cursor == newest:
            self._cursor = end

    def _send_again(self) -> None:
        while self._again and len(self._in_flight) < UNCONFIRMED_PACKS:
            start, end = self._again.popleft()
            after = self._publish("up/bulk", start, end)
            if after < end:
                self._again.appendleft((after, end))
                return  # a stretch asked for is confirmed late or never: one pack a turn

    def _send_backlog(self, end: int) -> None:
        while self._cursor < end and len(self._in_flight) < UNCONFIRMED_PACKS:
            self._cursor = self._publish("up/bulk", self._cursor, end)
            self._in_flight.append(self._cursor)

    def _command(self, message: MQTTMessage) -> None:
        properties = message.properties
        correlation = bytes(getattr(properties, "CorrelationData", b"") or b"")
        if correlation and self._firmware.is_repeat(correlation):
            return
        command = parse_message(Command, bytes(message.payload), unit=self._unit)
        if isinstance(command, Rejected):
            log.warning("radio.command.rejected", unit=self._unit, reason=command.detail)
            return
        reply, stretches = self._firmware.obey(command, now_ms=self._now_ms())
        self._again.extend(stretches)
        answer = _properties(PacketTypes.PUBLISH)
        if correlation:
            answer.CorrelationData = correlation
        where = getattr(properties, "ResponseTopic", None) or topic(self._unit, "up/resp")
        self._client.publish(where, reply.to_json(), qos=1, properties=answer)
        if command.name == "status":
            self._client.publish(
                topic(self._unit, "status"), self._firmware.status().to_json(), qos=1, retain=True
            )
