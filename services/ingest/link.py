"""The network side of ingest: one thread talks MQTT, two queues join it to the worker."""

import contextlib
import secrets
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from services.clock import now_ms
from services.ingest.access import Access
from services.ingest.client import BulkClient, Delivery, MalformedPacketError

CLIENT_ID = "bushlarder-ingest"
SESSION_EXPIRY_S = 7 * 86_400
"""How long the broker keeps messages for an ingest that is away."""
RECEIVE_MAXIMUM = 1_000
"""Un-acked messages on the way; more brings nothing (measured), and it must exceed a batch."""
INBOX_LIMIT = 2_000
"""Messages waiting for the worker before the network is no longer read."""
KEEPALIVE_S = 30
CONNECT_TIMEOUT_S = 10.0
STOP_S = 3.0
"""How long a stopping link waits for the broker to take what was posted."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 15.0
"""Waiting before another connection, doubled each time, dealt out at random."""
POSTS_UNDERWAY = 20
"""Publications the broker has not acknowledged yet; what brokers allow at least in practice."""

_log = structlog.get_logger(__name__)


class Arrival(NamedTuple):
    """A message, with the connection it came over: only that connection can acknowledge it."""

    epoch: int
    received_ms: int
    delivery: Delivery


@dataclass(frozen=True, slots=True)
class Post:
    """Something to publish with QoS 1."""

    topic: str
    payload: bytes
    retain: bool = False
    response_topic: str | None = None
    correlation: bytes | None = None
    expiry_s: int | None = None


class Link:
    """A persistent MQTT 5 session that hands over messages and acknowledges them when told to.

    Only the network thread touches the client; the worker posts what it wants sent and rings.
    """

    def __init__(self, access: Access, filters: Sequence[str], *, client_id: str = CLIENT_ID) -> None:
        """Prepare the session; `start` opens it.

        Raises
        ------
        ConfigurationError
            If the broker's URL, root, certificate or key cannot be used.
        """
        self._host, self._port = access.place()
        self._filters = tuple(filters)
        self._client = self._make_client(access, client_id)
        self._inbox: deque[Arrival] = deque()
        self._acks: deque[tuple[int, int]] = deque()
        self._posts: deque[Post] = deque()
        self._underway = 0
        self._unread = False
        self._enough = 1
        self._arrived = threading.Event()
        self._bell_r, self._bell_w = socket.socketpair()
        self._bell_r.settimeout(0)
        self._bell_w.settimeout(0)
        self._stopping = False
        self._stop_by = 0.0
        self._thread = threading.Thread(target=self._run, name="ingest-link", daemon=True)
        self.epoch = 0
        """Number of the present connection."""
        self.connected = False

    def start(self) -> None:
        """Open the session in the background."""
        self._thread.start()

    def stop(self) -> None:
        """Send what is posted, close the connection, keep the session."""
        self._stop_by = time.monotonic() + STOP_S
        self._stopping = True
        self._ring()
        if self._thread.is_alive():
            self._thread.join(timeout=CONNECT_TIMEOUT_S + 5.0)
        self._bell_w.close()
        self._bell_r.close()

    def take(self, limit: int, *, wait_s: float, linger_s: float) -> list[Arrival]:
        """Return up to `limit` messages: at once when so many wait, else `linger_s` after the first.

        Raises
        ------
        RuntimeError
            If the network side has ended by a fault of its own.
        """
        self._require_alive()
        inbox = self._inbox
        if not inbox:
            self._wait_for(1, inbox, wait_s)
        if inbox and len(inbox) < limit:
            self._wait_for(limit, inbox, linger_s)
        was_full = len(inbox) >= INBOX_LIMIT
        taken = [inbox.popleft() for _ in range(min(limit, len(inbox)))]
        if was_full:
            self._ring()
        return taken

    def _wait_for(self, count: int, inbox: deque[Arrival], timeout_s: float) -> None:
        self._enough = count
        self._arrived.clear()
        if len(inbox) < count:
            self._arrived.wait(timeout_s)

    def _require_alive(self) -> None:
        """Only a new process helps when the network side has ended on its own."""
        if self._thread.ident is not None and not self._thread.is_alive() and not self._stopping:
            raise RuntimeError("the network side of ingest has ended; its log says why")

    def waiting(self) -> int:
        """Return how many messages wait to be taken."""
        return len(self._inbox)

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Tell the broker, in order of arrival, that messages are durable here."""
        self._acks.extend((a.epoch, a.delivery.mid) for a in arrivals if a.delivery.qos)
        self._ring()

    def post(self, post: Post) -> None:
        """Publish something as soon as there is a connection."""
        self._posts.append(post)
        self._ring()

    def _ring(self) -> None:
        with contextlib.suppress(OSError):  # full: it rings already; closed: nobody listens any more
            self._bell_w.send(b"!")

    # -- everything below runs in the network thread ------------------------------------------------

    def _run(self) -> None:
        try:
            self._keep_connected()
        finally:
            self.connected = False

    def _keep_connected(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping:
            epoch_before = self.epoch
            try:
                self._connect()
                self._serve()
            except (OSError, MalformedPacketError) as error:
                _log.warning("ingest.broker.unreachable", host=self._host, port=self._port, error=str(error))
            if self.epoch > epoch_before:
                pause_s = FIRST_PAUSE_S
            self.connected = False
            if not self._stopping:
                select.select([self._bell_r], [], [], secrets.SystemRandom().uniform(0.5, 1.0) * pause_s)
                self._hush()
                pause_s = min(pause_s * 2, LONGEST_PAUSE_S)

    def _connect(self) -> None:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        self._client.begin()
        self._unread = False
        self._client.connect(
            self._host, self._port, keepalive=KEEPALIVE_S, clean_start=False, properties=properties
        )

    def _serve(self) -> None:
        """Move messages both ways until the connection ends."""
        client = self._client
        deadline = time.monotonic() + CONNECT_TIMEOUT_S
        while (sock := client.socket()) is not None:
            room = len(self._inbox) < INBOX_LIMIT
            ready_now = room and self._unread
            readers: list[Any] = [self._bell_r, *([sock] if room else [])]
            readable, writable, _ = select.select(
                readers, [sock] if client.want_write() else [], [], 0.0 if ready_now else 1.0
            )
            if self._bell_r in readable:
                self._hush()
            if sock in readable or ready_now:
                self._read()
            if self.connected:
                self._send_posted()
            if writable or client.want_write():
                client.loop_write()
            client.loop_misc()
            if self._stopping and (self._nothing_left() or time.monotonic() > self._stop_by):
                client.disconnect()
                client.loop_write()
                return
            if not self.connected and (self._stopping or time.monotonic() > deadline):
                return

    def _nothing_left(self) -> bool:
        return not (self._acks or self._posts or self._underway or self._client.want_write())

    def _read(self) -> None:
        """Take messages until the socket has no more or the worker has plenty."""
        inbox = self._inbox
        received_ms = now_ms()
        for delivery in self._client.deliveries():
            inbox.append(Arrival(self.epoch, received_ms, delivery))
            waiting = len(inbox)
            if waiting >= self._enough:
                self._enough = INBOX_LIMIT * 2  # ring once
                self._arrived.set()
            if waiting >= INBOX_LIMIT:
                self._unread = True
                return
        self._unread = False

    def _send_posted(self) -> None:
        mids = []
        while self._acks:
            epoch, mid = self._acks.popleft()
            if epoch == self.epoch:  # what an older connection brought will come again
                mids.append(mid)
        self._client.acknowledge(mids)
        while self._posts and self._underway < POSTS_UNDERWAY:
            post = self._posts.popleft()
            self._underway += 1
            self._client.publish(post.topic, post.payload, 1, post.retain, _properties_of(post))

    def _hush(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while self._bell_r.recv(4096):
                pass

    def _make_client(self, access: Access, client_id: str) -> BulkClient:
        client = BulkClient(
            CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )
        access.apply(client)
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_socket_register_write = _leave_writing_to_the_loop
        return client

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            _log.error("ingest.broker.refused", reason=str(reason))
            return
        self.epoch += 1
        self.connected = True
        # Retained statuses come again only where the broker did not know the subscription any more.
        client.subscribe([(each, _options_of(each)) for each in self._filters])
        _log.info("ingest.broker.connected", session_present=flags.session_present, epoch=self.epoch)

    def _on_disconnect(self, *_: object) -> None:
        if self.connected and not self._stopping:
            _log.warning("ingest.broker.lost", epoch=self.epoch)
        self.connected = False

    def _on_publish(self, *_: object) -> None:
        self._underway = max(0, self._underway - 1)


def _leave_writing_to_the_loop(*_: object) -> None:
    """Being registered is enough: paho then does not write in the middle of something else."""


def _properties_of(post: Post) -> Properties | None:
    if post.response_topic is None and post.correlation is None and post.expiry_s is None:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if post.response_topic is not None:
        properties.ResponseTopic = post.response_topic
    if post.correlation is not None:
        properties.CorrelationData = post.correlation
    if post.expiry_s is not None:
        properties.MessageExpiryInterval = max(1, post.expiry_s)
    return properties


def _options_of(topic_filter: str) -> SubscribeOptions:
    """Return how to subscribe: the broker's words about itself are not kept for a service that is away."""
    qos = 0 if topic_filter.startswith("$SYS/") else 1
    return SubscribeOptions(qos=qos, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
