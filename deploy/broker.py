"""A broker for the lodge box: one already there, one that was set up, or one for this machine only.

The last is for trying out: it lets anybody in, and therefore binds to loopback and nothing else.
"""

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from iotcore import Broker

from deploy.broker_setup import BrokerFolder, faults
from services.errors import ConfigurationError, DependencyUnavailable

_READY_WITHIN_S = 10.0
_STOP_WITHIN_S = 5.0

_MOSQUITTO = """\
# Loopback only; written anew at every start.
listener {port} 127.0.0.1
allow_anonymous true
{user}
persistence true
persistence_location {folder}/
autosave_interval 5
persistent_client_expiration 14d
max_queued_messages 0
max_queued_bytes 268435456
message_size_limit 65536
max_packet_size 131072
set_tcp_nodelay true
log_dest stderr
log_type error
log_type warning
"""
"""Queue limits, autosave and sizes as measured for this contract: a full queue drops the newest while
still answering success, so the queue is bounded by bytes, not by count."""

_EMBEDDED = """\
id = 0
[router]
id = 0
max_connections = 1010
max_outgoing_packet_count = 1000
max_segment_size = 104857600
max_segment_count = 10
[v5.1]
name = "v5-1"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 131072
max_inflight_count = 1000
dynamic_filters = true
"""
"""Its default binds every interface, speaks 3.1.1 only and stops at 20 480 bytes a message: set here."""


def free_port() -> int:
    """Return a loopback port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def find_mosquitto() -> str | None:
    """Return the path of mosquitto, also where ordinary users lack sbin on their PATH."""
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"])
    return shutil.which("mosquitto", path=path)


def _wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + _READY_WITHIN_S
    while time.monotonic() < end:
        if process.poll() is not None:
            raise DependencyUnavailable(f"the broker ended at once with code {process.returncode}")
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise DependencyUnavailable(f"the broker did not answer within {_READY_WITHIN_S:g} s")


@contextmanager
def _mosquitto(program: str, folder: Path, log: TextIO) -> Iterator[str]:
    port = free_port()
    config = folder / "mosquitto.conf"
    user = "user root" if os.geteuid() == 0 else ""
    config.write_text(_MOSQUITTO.format(port=port, folder=folder, user=user), encoding="utf-8")
    with _running(program, config, port, log):
        yield f"mqtt://127.0.0.1:{port}"


@contextmanager
def _set_up(program: str | None, folder: BrokerFolder, log: TextIO) -> Iterator[str]:
    """Run the broker of a folder; never one that lets anybody in."""
    if wrong := faults(folder):
        raise ConfigurationError("; ".join(wrong), setting="broker_folder")
    if program is None:
        raise ConfigurationError("mosquitto is not installed on this machine", setting="broker_folder")
    port = folder.service_port()
    with _running(program, folder.configuration, port, log):
        yield f"mqtt://127.0.0.1:{port}"


@contextmanager
def _running(program: str, config: Path, port: int, log: TextIO) -> Iterator[None]:
    process = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)  # noqa: S603 - our own path
    try:
        _wait_for(port, process)
        yield
    finally:
        process.terminate()
        try:
            process.wait(_STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextmanager
def _embedded(folder: Path) -> Iterator[str]:
    port = free_port()
    config = folder / "embedded.toml"
    config.write_text(_EMBEDDED.format(port=port), encoding="utf-8")
    with Broker(config_path=str(config)):
        yield f"mqtt://127.0.0.1:{port}"


@contextmanager
def broker(
    url: str | None, data: Path, *, set_up: Path | None = None, embedded: bool = False
) -> Iterator[tuple[str, str]]:
    """Yield the broker's URL and a word for which one it is, running until the block ends.

    Raises
    ------
    ConfigurationError
        If the broker set up in a folder would let anybody in, or others may read its secrets.
    DependencyUnavailable
        If a broker could not be started.
    """
    if url is not None:
        yield url, "configured broker"
        return
    folder = data / "broker"
    folder.mkdir(parents=True, exist_ok=True)
    program = None if embedded else find_mosquitto()
    if set_up is not None:
        with (
            (folder / "broker.log").open("a", encoding="utf-8") as log,
            _set_up(program, BrokerFolder(set_up), log) as at,
        ):
            yield at, f"mosquitto as set up in {set_up}"
    elif program is not None:
        with (
            (folder / "broker.log").open("a", encoding="utf-8") as log,
            _mosquitto(program, folder, log) as at,
        ):
            yield at, "mosquitto"
    else:
        with _embedded(folder) as at:
            yield at, "embedded broker"
