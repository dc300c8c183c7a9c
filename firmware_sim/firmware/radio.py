"""The unit's link: one MQTT 5 client that connects, sends what is kept and listens for what is confirmed."""

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence

import structlog
from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from firmware_sim.firmware.address import BrokerAt
from firmware_sim.firmware.backoff import BackOff
from firmware_sim.firmware.commands import obey
from firmware_sim.firmware.sender import Sender
from firmware_sim.firmware.unit import Firmware
from firmware_sim.firmware.way import Away, Way
from services.telemetry import Rejected
from services.telemetry.messages import Ack, Command, parse_message
from services.telemetry.topics import topic

log = structlog.get_logger(__name__)

KEEPALIVE_S = 60
SESSION_S = 7 * 86_400
WILL_DELAY_S = 120
WAIT_S = 0.1
CONTACT_AT_MOST_S = 120.0
"""A unit that spares its link gives a contact up when nothing was confirmed for this long. [s]"""
CONTACT_AT_LEAST_S = 2.0
"""It stays this long for commands that wait for it. [s]"""
MEETING_S = 1.5
"""A unit with new memory waits this long, once subscribed, for a confirmation kept for its name. [s]"""
_WITH_WILL = 4


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call] # the client library does not say


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
        self._broker = broker
        self._inbox: deque[MQTTMessage] = deque()
        self._announced_bid = -1
        self._client = self._made_client()
        self._connected = self._greeted = False
        self._connected_s = 0.0
        self._subscribed_s: float | None = None
        self._fresh = False
        self._back_off = BackOff(f"{seed}/{self._unit}")
        self.way = Way(self._publish_pack, seed=f"{seed}/{self._unit}/way")
        self._sender = Sender(firmware, self.way.send, now_ms=now_ms)
        self._events_told = -1
        self._event_ids: dict[int, int] = {}
        self._left_at: int | None = None
        self._first_away: dict[Away, int] = {}
        self._next_contact_s = 0.0

    @property
    def sent(self) -> int:
        """Samples handed to the broker, repeats too."""
        return self._sender.sent

    def _made_client(self) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=self._unit, protocol=MQTTProtocolVersion.MQTTv5
        )
        self._broker.prepare(client, self._unit)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
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
            log.info("radio.connect.refused", unit=self._unit, reason=str(reason))
            return
        self._connected = True
        self._connected_s = time.monotonic()
        now_ms = self._now_ms()
        self._firmware.learn(now_ms + self.way.air.clock_off_ms, now_ms)
        client.subscribe([(topic(self._unit, leaf), 1) for leaf in ("down/ack", "down/cmd")])

    def _on_subscribe(
        self,
        _client: Client,
        _user: object,
        _number: int,
        _reasons: list[ReasonCode],
        _more: Properties | None,
    ) -> None:
        """From now on the broker hands over what it kept for us."""
        self._subscribed_s = time.monotonic()

    def _on_message(self, _client: Client, _user: object, message: MQTTMessage) -> None:
        self._inbox.append(message)

    def _on_publish(
        self, _client: Client, _user: object, number: int, _reason: ReasonCode, _more: Properties
    ) -> None:
        """Take note of what the broker has; only events wait for that."""
        index = self._event_ids.pop(number, None)
        if index is not None:
            self._firmware.events.sent(index)

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
                return self._index_of(away), True
        written = self._ring.counts().written
        if not self.way.air.out:
            self._left_at = None
        elif self._left_at is None:
            self._left_at = written
        return (written, False) if self._left_at is None else (self._left_at, True)

    def _index_of(self, away: Away) -> int:
        """Return the first ring index measured out of coverage; looked up until there is one."""
        if away not in self._first_away:
            index = self._ring.index_at(away.start_ms)
            if index == self._ring.counts().written:
                return index
            self._first_away[away] = index
        return self._first_away[away]

    def _on_air(self) -> bool:
        """Tell whether there is power, coverage and a reason; what was sent before still gets through."""
        if not self._firmware.powered or self.way.air.out:
            return False
        end, away = self._horizon()
        if away and self._ring.counts().freed >= end:
            return False
        return self._contact_due() or bool(self._firmware.events.waiting(1))

    def _contact_due(self) -> bool:
        return self._firmware.build.pack_s == 0 or time.monotonic() >= self._next_contact_s

    def _connect(self) -> None:
        pause_s = self._back_off.next_s - time.monotonic()
        if pause_s > 0.0:
            self._stop_event.wait(min(WAIT_S, pause_s + 0.001))
            return
        properties = _properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = SESSION_S
        will = _properties(PacketTypes.WILLMESSAGE)
        will.WillDelayInterval = WILL_DELAY_S
        status = topic(self._unit, "status")
        lost = self._firmware.status("lost").to_json()
        self._client.will_set(status, lost, qos=1, retain=True, properties=will)
        self._gone()
        try:
            self._client.connect(
                self._broker.host, self._broker.port, KEEPALIVE_S, clean_start=False, properties=properties
            )
        except OSError as error:
            log.info("radio.connect.failed", unit=self._unit, reason=str(error))
        self._back_off.attempted(time.monotonic())

    def _gone(self) -> None:
        self._connected = self._greeted = False
        self._subscribed_s = None
        self._event_ids.clear()
        self._events_told = -1
        self.way.drop()

    def _leave(self, *, for_now: bool = False) -> None:
        """Go off the air; unless only for now, the broker is asked to keep the will as if the link failed."""
        if self._client.socket() is not None:
            how = None if for_now else ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL)
            self._client.disconnect(reasoncode=how)
            for _ in range(20):
                if self._client.socket() is None or self._client.loop(0.05) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
        self._gone()

    def _turn(self) -> None:
        """One round: the network, what came in, what goes out."""
        if self._client.loop(WAIT_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
            if self._connected:
                self._back_off.lost(time.monotonic())
            self._gone()
            return
        if not self._connected:
            return
        self._back_off.held(time.monotonic() - self._connected_s)
        end, _ = self._horizon()
        if not self._greeted:
            self._greet(end)
        while self._inbox:
            self._receive(self._inbox.popleft())
        if self._firmware.bid != self._announced_bid:
            self._leave()  # rebooted: the next connection carries a will of the new boot
            return
        if not self._firmware.met:
            if self._subscribed_s is not None and time.monotonic() - self._subscribed_s > MEETING_S:
                self._firmware.meet(-1, self._now_ms())
            return
        self._send_events()
        if self._contact_due():
            self._sender.turn(end, each_sample=self._firmware.build.pack_s == 0 or self._fresh)
            self._fresh = False
        self.way.settle()
        if self._firmware.build.pack_s > 0:
            self._end_contact(end)

    def _end_contact(self, end: int) -> None:
        """Let a unit that spares its link go to sleep again when all is said."""
        stood_s = time.monotonic() - self._connected_s
        if stood_s < CONTACT_AT_LEAST_S or self._event_ids or self._firmware.events.waiting(1):
            return
        if not self._contact_due():
            self._leave(for_now=True)
        elif self._sender.idle(end) or self._sender.stalled_s() > CONTACT_AT_MOST_S:
            self._next_contact_s = time.monotonic() + self._firmware.build.pack_s
            self._leave(for_now=True)

    def _greet(self, end: int) -> None:
        """Begin a connection: status first; then events, one live sample, and the backlog from the oldest."""
        self._say_status()
        self._sender.begin(end)
        self._fresh = True
        self._greeted = True
        self._announced_bid = self._firmware.bid

    def _say_status(self) -> None:
        said = self._firmware.status().to_json()
        self._client.publish(topic(self._unit, "status"), said, qos=1, retain=True)

    def _send_events(self) -> None:
        for index, event in self._firmware.events.waiting():
            if index > self._events_told:
                said = self._client.publish(topic(self._unit, "up/event"), event.to_json(), qos=1)
                self._event_ids[said.mid] = index
                self._events_told = index

    def _publish_pack(self, leaf: str, payload: bytes, expiry_s: int | None) -> None:
        properties = _properties(PacketTypes.PUBLISH)
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        self._client.publish(topic(self._unit, leaf), payload, qos=1, properties=properties)

    def _receive(self, message: MQTTMessage) -> None:
        if message.topic == topic(self._unit, "down/ack"):
            ack = parse_message(Ack, bytes(message.payload), unit=self._unit)
            if isinstance(ack, Rejected):
                log.warning("radio.ack.rejected", unit=self._unit, reason=ack.reason)
                return
            self._firmware.meet(max((mark.bid for mark in ack.acks), default=-1), self._now_ms())
            self._sender.confirmed(ack)
        elif not message.retain:
            self._command(message)

    def _command(self, message: MQTTMessage) -> None:
        properties = message.properties
        correlation = bytes(getattr(properties, "CorrelationData", b"") or b"")
        if correlation and self._firmware.is_repeat(correlation):
            return
        command = parse_message(Command, bytes(message.payload), unit=self._unit)
        if isinstance(command, Rejected):
            log.warning("radio.command.rejected", unit=self._unit, reason=command.detail)
            return
        reply, stretches = obey(self._firmware, command, now_ms=self._now_ms())
        self._sender.send_again(stretches)
        answer = _properties(PacketTypes.PUBLISH)
        if correlation:
            answer.CorrelationData = correlation
        where = getattr(properties, "ResponseTopic", None) or topic(self._unit, "up/resp")
        self._client.publish(where, reply.to_json(), qos=1, properties=answer)
        if command.name == "status":
            self._say_status()
