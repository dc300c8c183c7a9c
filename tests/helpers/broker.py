"""A real mosquitto on a free loopback port, started, stopped, killed and restarted by tests."""

import contextlib
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

START_TRIES = 5
"""A free port may be taken between choosing and using it."""

_CONFIG = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
autosave_interval {autosave_s}
persistent_client_expiration 14d
max_queued_messages 0
max_queued_bytes 268435456
max_inflight_messages 1000
message_size_limit 262144
max_packet_size 524288
set_tcp_nodelay true
log_dest file {folder}/mosquitto.log
log_type error
log_type warning
user root
"""


def free_port() -> int:
    """Return a loopback port nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """One mosquitto process with its own folder; the port stays the same over restarts."""

    def __init__(self, folder: Path, *, autosave_s: int = 5) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = 0
        self._autosave_s = autosave_s
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where clients connect."""
        return f"mqtt://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        """The process, for measuring what it costs."""
        if self._process is None:
            raise RuntimeError("the broker does not run")
        return self._process.pid

    def start(self) -> None:
        """Start on the port of last time, or on a free one, and wait until it listens."""
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if program is None:
            raise RuntimeError("mosquitto is not on PATH")
        for _ in range(START_TRIES):
            port = self.port or free_port()
            config = self.folder / "mosquitto.conf"
            config.write_text(
                _CONFIG.format(port=port, folder=self.folder.resolve(), autosave_s=self._autosave_s)
            )
            self._process = subprocess.Popen(
                [program, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            if self._listens(port):
                self.port = port
                return
            self.kill()
        raise RuntimeError(f"mosquitto did not start: {self.log()[-500:]}")

    def _listens(self, port: int) -> bool:
        deadline = time.monotonic() + 10.0
        while time.monotonic() < deadline:
            if self._process is None or self._process.poll() is not None:
                return False
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1.0):
                return True
            time.sleep(0.02)
        return False

    def stop(self) -> None:
        """End it politely: sessions, queues and retained messages are saved."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it the hard way: what was not saved yet is gone."""
        self._end(signal.SIGKILL)

    def restart(self, *, hard: bool = False, down_s: float = 0.0) -> None:
        """Stop (or kill), stay away for a while, and come back on the same port."""
        self._end(signal.SIGKILL if hard else signal.SIGTERM)
        time.sleep(down_s)
        self.start()

    def log(self) -> str:
        """What the broker complained about."""
        path = self.folder / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(how)
        try:
            process.wait(timeout=10.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=10.0)


@contextlib.contextmanager
def running_broker(folder: Path, *, autosave_s: int = 5) -> Iterator[Broker]:
    """Give a running broker with its files under `folder`, and stop it afterwards."""
    broker = Broker(folder / "broker", autosave_s=autosave_s)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
