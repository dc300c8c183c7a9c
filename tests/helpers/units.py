"""A small unit for tests: real MQTT, keeps its samples until the service confirms them."""

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from urllib.parse import urlsplit

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from services.telemetry import Sample, topics
from services.telemetry.packs import encode_pack

WINDOW_PACKS = 10
RESEND_S = 2.0
"""The unit sends unconfirmed packs again after this long without progress (short, for tests)."""


def sample_of(unit: str, sq: int, *, bid: int = 1, start_ms: int = 1_760_000_000_000) -> Sample:
    """Return an ordinary sample that can be told from its neighbours."""
    return Sample(
        unit,
        bid,
        sq,
        start_ms + sq * 60_000,
        2,
        {
            "cabinet": round(2.0 + sq % 97 / 10, 3),
            "battery": round(12.0 + sq % 13 / 100, 3),
            "compressor": sq % 3 == 0,
            "ambient": round(25.0 + sq % 11 / 4, 3),
        },
        float(sq * 60),
    )


def client_for(url: str, client_id: str, *, clean: bool = True, expiry_s: int = 0) -> mqtt.Client:
    """Return a connected, looping client."""
    parts = urlsplit(url)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = expiry_s
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(500)
    client.reconnect_delay_set(0.1, 1.0)
    client.connect_async(
        str(parts.hostname), int(parts.port or 1883), clean_start=clean, properties=properties
    )
    client.loop_start()
    deadline = time.monotonic() + 10.0
    while not client.is_connected():
        if time.monotonic() > deadline:
            raise RuntimeError(f"{client_id} did not connect")
        time.sleep(0.01)
    return client


@contextlib.contextmanager
def connected(url: str, client_id: str = "test-publisher") -> Iterator[mqtt.Client]:
    """Give a client that is connected, and close it afterwards."""
    client = client_for(url, client_id)
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def publish(
    client: mqtt.Client, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int = 0
) -> None:
    """Publish with QoS 1 and wait until the broker has it."""
    properties = Properties(PacketTypes.PUBLISH)
    if expiry_s:
        properties.MessageExpiryInterval = expiry_s
    client.publish(topic, payload, 1, retain, properties).wait_for_publish(10.0)


class Unit:
    """Holds samples of one boot, sends the oldest first, forgets what `down/ack` confirms."""

    def __init__(
        self,
        url: str,
        name: str,
        samples: Sequence[Sample],
        *,
        pack: int = 60,
        leaf: str = "up/bulk",
        encode: Callable[[Sequence[Sample]], bytes] = encode_pack,
    ) -> None:
        self.name = name
        self.held = {sample.sq: sample for sample in samples}
        self.bid = samples[0].bid if samples else 1
        self.skipped: list[dict[str, object]] = []
        self.questions: list[dict[str, object]] = []
        self.published = 0
        self._pack, self._leaf, self._encode = pack, leaf, encode
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._client = client_for(url, name)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda *_: self._subscribe()
        self._subscribe()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> "Unit":
        """Begin to send."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Leave."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(10.0)
        self._client.disconnect()
        self._client.loop_stop()

    def wait_until_confirmed(self, timeout_s: float) -> bool:
        """Return whether everything was confirmed in time."""
        deadline = time.monotonic() + timeout_s
        while self.held and time.monotonic() < deadline:
            time.sleep(0.02)
        return not self.held

    def _subscribe(self) -> None:
        for leaf in ("down/ack", "down/cmd"):
            self._client.subscribe(topics.topic(self.name, leaf), 1)

    def _run(self) -> None:
        upto, since = -1, time.monotonic()
        oldest_before = None
        while not self._stop.is_set():
            with self._lock:
                numbers = sorted(self.held)
            oldest = numbers[0] if numbers else None
            if oldest != oldest_before:
                oldest_before, since = oldest, time.monotonic()
            if time.monotonic() - since > RESEND_S:
                upto, since = -1, time.monotonic()
            if numbers:
                window = numbers[: WINDOW_PACKS * self._pack]
                fresh = [sq for sq in window if sq > upto][: self._pack]
                if fresh:
                    self._send(fresh)
                    upto = fresh[-1]
                    continue
            self._stop.wait(0.02)

    def _send(self, numbers: Sequence[int]) -> None:
        with self._lock:
            samples = [self.held[sq] for sq in numbers if sq in self.held]
        for run in _runs(samples):
            self._client.publish(topics.topic(self.name, self._leaf), self._encode(run), 1)
            self.published += 1

    def _on_message(self, client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        body = orjson.loads(message.payload)
        if message.topic.endswith("down/ack"):
            marks = {each["bid"]: each["sq"] for each in body["acks"]}
            self.skipped = body["skipped"]
            with self._lock:
                self.held = {sq: s for sq, s in self.held.items() if sq > marks.get(self.bid, -1)}
        elif body["name"] == "backfill":
            self.questions.append(body["args"])
            wanted = range(body["args"]["from"], body["args"]["to"] + 1)
            with self._lock:
                found = [self.held[sq] for sq in sorted(self.held) if sq in wanted]
            for start in range(0, len(found), self._pack):
                for run in _runs(found[start : start + self._pack]):
                    client.publish(topics.topic(self.name, "up/bulk"), self._encode(run), 1)
            self._reply(client, message, "done" if found else "gone")

    @staticmethod
    def _reply(client: mqtt.Client, message: mqtt.MQTTMessage, result: str) -> None:
        properties = Properties(PacketTypes.PUBLISH)
        properties.CorrelationData = message.properties.CorrelationData
        payload = orjson.dumps({"name": "backfill", "result": result})
        client.publish(message.properties.ResponseTopic, payload, 1, properties=properties)


def _runs(samples: Sequence[Sample]) -> list[list[Sample]]:
    """Split where numbers are not consecutive: a pack holds a run."""
    runs: list[list[Sample]] = []
    for sample in samples:
        if runs and runs[-1][-1].sq + 1 == sample.sq:
            runs[-1].append(sample)
        else:
            runs.append([sample])
    return runs
