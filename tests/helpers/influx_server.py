"""A real InfluxDB on loopback, 1.x behind a proxy that gives it the write path of 2.x, or one that is there.

With BUSHLARDER_TEST_INFLUX_URL (and _TOKEN, _ORG, _BUCKET) the tests use that server and its bucket.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from contextlib import closing
from pathlib import Path

import pytest

from services.store.influx_access import InfluxAccess
from services.store.influx_points import MEASUREMENT
from services.store.influx_server import InfluxServer as Talk

_UNPACKED = Path(__file__).parents[2] / "build" / "debian"
"""Where deploy/test unpacks Debian packages without installing them."""

USER, PASSWORD = "larder", "cold-enough"

_INFLUXD = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  auth-enabled = true
  log-enabled = false
  max-body-size = {max_body}
[monitor]
  store-enabled = false
[continuous_queries]
  log-enabled = false
  run-interval = "1s"
"""

_NGINX = """
daemon off;
worker_processes 1;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  client_max_body_size 0;
  client_body_buffer_size 32m;  # nothing by way of files, which the worker may have no right to
  proxy_buffering off;
  map $arg_precision $older_precision {{ default n; ms ms; s s; us u; ns n; }}
  server {{
    listen 127.0.0.1:{front};
    location = /api/v2/write {{
      set $args "db=$arg_bucket&precision=$older_precision";
      proxy_pass http://127.0.0.1:{port}/write?$args;
    }}
    location / {{ proxy_pass http://127.0.0.1:{port}; }}
  }}
}}
"""


def _program(name: str) -> str | None:
    path = os.pathsep.join(
        [os.environ.get("PATH", ""), "/usr/sbin", str(_UNPACKED / "usr/bin"), str(_UNPACKED / "usr/sbin")]
    )
    return shutil.which(name, path=path)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def elsewhere() -> InfluxAccess | None:
    """Return the server named by the environment."""
    url = os.environ.get("BUSHLARDER_TEST_INFLUX_URL")
    if not url:
        return None
    token = os.environ.get("BUSHLARDER_TEST_INFLUX_TOKEN", "")
    org = os.environ.get("BUSHLARDER_TEST_INFLUX_ORG", "-")
    bucket = os.environ.get("BUSHLARDER_TEST_INFLUX_BUCKET", "bushlarder-test")
    return InfluxAccess(url, token, org, bucket, auth_basic=":" in token)


class InfluxServers:
    """The server the store suite runs against: the one named by the environment, else one of our own."""

    def __init__(self, folder: Path) -> None:
        """Start nothing before it is asked for."""
        self._folder = folder
        self._own: InfluxServer | None = None
        self._buckets = 0

    def empty_bucket(self) -> InfluxAccess:
        """Return the way to a bucket without samples; a foreign server's own bucket is emptied."""
        there = elsewhere()
        if there is not None:
            with closing(Talk(there)) as server:
                list(server.query(f"DROP MEASUREMENT {MEASUREMENT}"))
            return there
        if self._own is None:
            self._own = InfluxServer(self._folder).start()
        self._buckets += 1
        self._own.ask(f"CREATE DATABASE b{self._buckets}")
        return self._own.access(f"b{self._buckets}")

    def processes(self) -> list[subprocess.Popen[bytes]]:
        """Return the processes of our own server; none where it is somebody else's."""
        return [] if self._own is None else self._own.processes()

    def stop(self) -> None:
        """End our own server."""
        if self._own is not None:
            self._own.stop()


class InfluxServer:
    """An influxd and the proxy before it; both end with `stop`."""

    def __init__(self, folder: Path, *, max_body: int = 25_000_000) -> None:
        """Write the configuration; skip the test where the programs are missing."""
        self._influxd, self._nginx = _program("influxd"), _program("nginx")
        if self._influxd is None or self._nginx is None:
            pytest.skip("influxd and nginx are not on this machine; deploy/test brings both")
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._port, self._front, rpc = _free_port(), _free_port(), _free_port()
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        (folder / "influxd.conf").write_text(
            _INFLUXD.format(folder=folder, port=self._port, rpc=rpc, max_body=max_body)
        )
        (folder / "nginx.conf").write_text(_NGINX.format(folder=folder, front=self._front, port=self._port))

    def processes(self) -> list[subprocess.Popen[bytes]]:
        """Return the database and the proxy, as they run."""
        return list(self._running.values())

    @property
    def url(self) -> str:
        """The address a store is given."""
        return f"http://127.0.0.1:{self._front}"

    def access(self, bucket: str, *, password: str = PASSWORD, timeout_s: float = 10.0) -> InfluxAccess:
        """Return the way to a bucket."""
        token = f"{USER}:{password}"
        return InfluxAccess(self.url, token, "-", bucket, auth_basic=True, timeout_s=timeout_s)

    def start(self) -> "InfluxServer":
        """Start both, wait until they answer, and make the first user (which 1.x lets anybody do once)."""
        self.start_database()
        command = [
            self._nginx,
            "-p",
            self._folder,
            "-c",
            self._folder / "nginx.conf",
            "-e",
            self._folder / "e",
        ]
        self._start("nginx", command)
        self._await(f"{self.url}/ping")
        self.ask(f"CREATE USER {USER} WITH PASSWORD '{PASSWORD}' WITH ALL PRIVILEGES", signed=False)
        return self

    def start_database(self) -> None:
        """Start (again) the database only."""
        self._start("influxd", [self._influxd, "-config", self._folder / "influxd.conf"])
        self._await(f"http://127.0.0.1:{self._port}/ping")

    def kill_database(self) -> None:
        """End the database without a word, as a power cut would."""
        process = self._running.pop("influxd")
        process.send_signal(signal.SIGKILL)
        process.wait(10.0)

    def freeze(self) -> None:
        """Let the database answer nobody."""
        self._running["influxd"].send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._running["influxd"].send_signal(signal.SIGCONT)

    def ask(self, query: str, *, database: str = "", signed: bool = True) -> str:
        """Send one statement straight to the database."""
        body = {"q": query, "db": database}
        if signed:
            body |= {"u": USER, "p": PASSWORD}
        address = f"http://127.0.0.1:{self._port}/query?{urllib.parse.urlencode(body)}"
        with urllib.request.urlopen(address, b"", timeout=10.0) as answer:
            return answer.read().decode()

    def write(self, database: str, lines: str) -> None:
        """Write line protocol straight to the database, as another program would."""
        query = urllib.parse.urlencode({"db": database, "u": USER, "p": PASSWORD})
        urllib.request.urlopen(f"http://127.0.0.1:{self._port}/write?{query}", lines.encode(), timeout=10.0)

    def stop(self) -> None:
        """End both."""
        for process in self._running.values():
            process.send_signal(signal.SIGCONT)
            process.terminate()
        for process in self._running.values():
            try:
                process.wait(10.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(10.0)
        self._running.clear()

    def _start(self, name, command) -> None:
        with (self._folder / f"{name}.out").open("ab") as out:
            self._running[name] = subprocess.Popen(command, stdout=out, stderr=out)

    def _await(self, url: str) -> None:
        for _ in range(300):
            try:
                urllib.request.urlopen(url, timeout=2.0).close()  # noqa: S310 - our own loopback address
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                time.sleep(0.1)
            else:
                return
        raise TimeoutError(f"{url} does not answer")
