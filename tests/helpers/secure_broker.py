"""A broker as `setup broker` makes it: real mosquitto, real certificates, on free loopback ports."""

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from deploy import broker_setup
from deploy.broker import find_mosquitto
from deploy.broker_setup import SERVICE_USER, BrokerFolder
from deploy.provisioning import Provisioning
from firmware_sim.firmware.address import BrokerAt
from services.clock import now_ms
from services.ingest.access import Access
from services.records.facade import Records
from tests.helpers.broker import free_port


def broker_account() -> str:
    """Return the broker's own account, root where the machine has none."""
    try:
        return pwd.getpwnam("mosquitto").pw_name
    except KeyError:
        return "root"


@dataclass
class SecureBroker:
    """A broker's folder with its process, and everything tests need to knock at it."""

    folder: BrokerFolder
    records: Records
    port: int
    service_port: int
    log_path: Path
    process: subprocess.Popen[bytes] | None = None
    clients: list[mqtt.Client] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"mqtts://127.0.0.1:{self.port}"

    @property
    def desk(self) -> Provisioning:
        return Provisioning(self.folder, self.records, who="Ada Ndlovu", now_ms=now_ms())

    def start(self) -> None:
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen(
                [find_mosquitto(), "-c", str(self.folder.configuration)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + 10.0
        while time.monotonic() < deadline:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
                return
            assert self.process.poll() is None, self.log()
            time.sleep(0.02)
        raise RuntimeError(self.log())

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10.0)
            self.process = None

    def log(self) -> str:
        return self.log_path.read_text(errors="replace")

    def secret_of(self, unit: str) -> str:
        """Provision a unit the ordinary way."""
        return self.desk.add(unit)

    def service(self) -> Access:
        secret = self.folder.service_secret.read_text()
        return Access(f"mqtt://127.0.0.1:{self.service_port}", user=SERVICE_USER, password=secret)

    def unit_address(self, credentials: Path, *, host: str = "127.0.0.1", ca: Path | None = None) -> BrokerAt:
        return BrokerAt.of(f"mqtts://{host}:{self.port}", ca=ca or self.folder.ca, credentials=credentials)


@dataclass
class Knocked:
    """How an attempt to connect ended, with what the client saw since."""

    client: mqtt.Client
    reason: ReasonCode | None = None
    resumed: bool = False
    """Whether the broker had kept a session for it."""
    error: Exception | None = None
    got: list[tuple[str, bytes]] = field(default_factory=list)
    lost: list[ReasonCode] = field(default_factory=list)
    answers: dict[int, ReasonCode] = field(default_factory=dict)

    @property
    def let_in(self) -> bool:
        return self.reason is not None and not self.reason.is_failure

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def publish(self, topic: str, payload: bytes = b"x", *, retain: bool = False) -> int:
        """Publish with QoS 1 and return the broker's reason code."""
        mid = self.client.publish(topic, payload, 1, retain).mid
        deadline = time.monotonic() + 5.0
        while mid not in self.answers and time.monotonic() < deadline:
            time.sleep(0.01)
        return self.answers[mid].value

    def subscribe(self, topic_filter: str) -> None:
        told = []
        self.client.on_subscribe = lambda *_: told.append(True)
        self.client.subscribe(topic_filter, 1)
        wait_for(lambda: told)


def wait_for(condition, within_s: float = 5.0) -> bool:  # type: ignore[no-untyped-def]
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.02)
    return False


def knock(
    port: int,
    *,
    client_id: str = "",
    user: str | None = None,
    password: str | None = None,
    context=None,  # type: ignore[no-untyped-def]
    will: str | None = None,
    host: str = "127.0.0.1",
    expiry_s: int = 0,
    clean_start: bool = True,
) -> Knocked:
    """Try to connect with MQTT 5 and say how it went; the caller leaves again."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5)
    made = Knocked(client)
    if user is not None:
        client.username_pw_set(user, password)
    if context is not None:
        client.tls_set_context(context)
    if will is not None:
        client.will_set(will, b"gone", 1)

    def answered(_client, _user, flags, reason, _more) -> None:  # type: ignore[no-untyped-def]
        made.resumed = bool(flags.session_present)
        made.reason = reason

    client.on_connect = answered
    client.on_message = lambda _c, _u, message: made.got.append((message.topic, message.payload))
    client.on_disconnect = lambda _c, _u, _f, reason, _p: made.lost.append(reason)
    client.on_publish = lambda _c, _u, mid, reason, _p: made.answers.__setitem__(mid, reason)
    client.reconnect_delay_set(60, 60)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = expiry_s
    try:
        client.connect(host, port, clean_start=clean_start, properties=properties)
    except OSError as error:
        made.error = error
        return made
    client.loop_start()
    wait_for(lambda: made.reason is not None or made.lost)
    return made


@contextlib.contextmanager
def secure_broker(tmp_path: Path, *, mutual: bool = False) -> Iterator[SecureBroker]:
    """Set one up, run it, and take everything away afterwards."""
    # The broker gives up root, so its folder must be one that others may enter; pytest's own is not.
    place = Path(tempfile.mkdtemp(prefix="bushlarder-broker-"))
    place.chmod(0o755)
    records = Records(tmp_path / "records.db")
    port, service_port = free_port(), free_port()
    folder = BrokerFolder(place / "broker")
    try:
        broker_setup.set_up(
            folder,
            ["127.0.0.1", "camp.example"],
            now_ms=now_ms(),
            mutual=mutual,
            owner=broker_account(),
            unit_port=port,
            service_port=service_port,
        )
        made = SecureBroker(folder, records, port, service_port, tmp_path / "broker.log")
        made.start()
        try:
            yield made
        finally:
            made.stop()
    finally:
        records.close()
        shutil.rmtree(place)


def as_root() -> bool:
    return os.geteuid() == 0
