"""Everything a lodge box needs in one command: broker, ingest, monitor, pages, and a fleet for the demo."""

import fcntl
import http.client
import json
import os
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from deploy import coming_in
from deploy.broker import broker
from deploy.supervisor import Supervisor
from services.clock import now_ms
from services.errors import ConfigurationError, DependencyUnavailable
from services.ingest.access import LOOPBACK
from services.settings import Settings

_PAGES_WITHIN_S = 60.0
_LOOK_EVERY_S = 0.5
_SAY_EVERY_S = 5.0
"""Between two lines of progress where no bar can be drawn: into a file or a pipe."""
_LIVE_WITHIN_SAMPLES = 3
"""A unit that has this many samples or fewer left to confirm is no longer in its past."""


@dataclass(frozen=True)
class Demo:
    """The simulated fleet that goes with a demo."""

    scenario: Path
    history_days: float
    units: int


@contextmanager
def _sole_owner(data: Path) -> Iterator[None]:
    """Hold the data folder: two boxes on one folder would both write to its databases."""
    data.mkdir(parents=True, exist_ok=True)
    with (data / "running.lock").open("a+", encoding="utf-8") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise ConfigurationError(
                "another Bushlarder is running on this folder: stop it, or choose another with --data",
                setting=str(data),
            ) from error
        lock.truncate(0)
        lock.write(f"{os.getpid()}\n")
        lock.flush()
        yield


def require_free_port(host: str, port: int) -> None:
    """Raise ConfigurationError when something already listens on the port."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise ConfigurationError(
                f"{host}:{port} cannot be used ({error.strerror}): choose another port with --port",
                setting="port",
            ) from error


def _require_own_broker(settings: Settings) -> None:
    """Refuse to show to others what came over a broker that lets anybody in."""
    tried_out = settings.broker_url is None and settings.broker_folder is None
    if tried_out and settings.host not in LOOPBACK:
        raise ConfigurationError(
            "pages for other machines need a broker of your own: bushlarder setup broker, then broker_folder",
            setting="host",
        )


def _to_pages(settings: Settings) -> http.client.HTTPConnection:
    host = "127.0.0.1" if settings.host in {"0.0.0.0", "::"} else settings.host  # noqa: S104 - compared only
    if settings.tls_certificate is None:
        return http.client.HTTPConnection(host, settings.port, timeout=2.0)
    # whether they answer is asked, not who they are: the name on the certificate is not this one
    return http.client.HTTPSConnection(
        host,
        settings.port,
        timeout=2.0,
        context=ssl._create_unverified_context(),  # noqa: S323, SLF001
    )


def _health(settings: Settings) -> dict[str, Any] | None:
    connection = _to_pages(settings)
    try:
        connection.request("GET", "/health")
        answer = connection.getresponse()
        body: dict[str, Any] = json.loads(answer.read())
    except (OSError, ValueError, http.client.HTTPException):
        return None
    else:
        return body
    finally:
        connection.close()


def _wait_for_pages(settings: Settings, supervisor: Supervisor, stop: threading.Event) -> None:
    end = time.monotonic() + _PAGES_WITHIN_S
    while not stop.is_set():
        if _health(settings) is not None:
            return
        for name in ("ingest", "monitor", "notify", "web"):
            supervisor.require(name)
        if time.monotonic() > end:
            raise DependencyUnavailable(f"the pages did not answer within {_PAGES_WITHIN_S:g} s")
        stop.wait(0.2)


def _fleet_progress(file: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found


def _replay_state(seen: dict[str, Any], started_ms: int) -> tuple[str, int, int]:
    """Return what to say, how many samples are confirmed, and how many are on their way in all."""
    total = int(seen.get("total", 0)) - int(seen.get("out_of_coverage", 0))
    confirmed = int(seen.get("confirmed", 0))
    if int(seen.get("sent", 0)) == 0:
        begun_ms = int(seen.get("begun_at_ms", started_ms))
        done_share = (int(seen.get("simulated_until_ms", begun_ms)) - begun_ms) / max(
            1, started_ms - begun_ms
        )
        return f"Simulating the past: {min(1.0, done_share):.0%}", 0, max(total, 1)
    return f"History through MQTT: {confirmed:,} of {total:,} samples confirmed", confirmed, total


def _follow_replay(
    file: Path, supervisor: Supervisor, stop: threading.Event, bar: Progress, *, units: int
) -> None:
    """Show how much of the past has been simulated, sent and confirmed, until units are live."""
    task = bar.add_task("Simulating the past", total=None)
    started_ms = now_ms()
    said_s = -_SAY_EVERY_S
    while not stop.is_set():
        supervisor.require("fleet")
        words, confirmed, total = _replay_state(_fleet_progress(file), started_ms)
        if confirmed and total - confirmed <= units * _LIVE_WITHIN_SAMPLES:
            bar.update(task, total=total, completed=total, description=words)
            return
        bar.update(task, total=total, completed=confirmed, description=words)
        if not bar.console.is_terminal and time.monotonic() - said_s >= _SAY_EVERY_S:
            said_s = time.monotonic()
            bar.console.print(words)
        supervisor.check()
        stop.wait(_LOOK_EVERY_S)


def run(
    settings: Settings,
    *,
    stop: threading.Event,
    console: Console,
    demo: Demo | None = None,
    welcome: str = "",
) -> None:
    """Run the box until `stop` is set; `welcome` is said once the pages are there.

    Raises
    ------
    ConfigurationError
        If the port is taken or the data folder is in use.
    DependencyUnavailable
        If a part could not be started.
    """
    require_free_port(settings.host, settings.port)
    _require_own_broker(settings)
    coming_in.require_private_pages(settings)
    with (
        _sole_owner(settings.data),
        broker(settings.broker_url, settings.data, set_up=settings.broker_folder) as (url, which),
    ):
        console.print(f"Broker: {which} at {url}")
        supervisor = Supervisor(
            settings.data / "logs",
            on_restart=lambda name, code: console.print(f"{name} ended with code {code}; starting it again"),
        )
        try:
            _start_parts(settings, url, supervisor)
            _run_parts(settings, url, supervisor, stop=stop, console=console, demo=demo, welcome=welcome)
        finally:
            console.print("Stopping ...")
            supervisor.stop()
            console.print("Stopped; the data stay where they are.")


def _start_parts(settings: Settings, url: str, supervisor: Supervisor) -> None:
    data = ("--data", str(settings.data))
    supervisor.add("ingest", "ingest", *data, "--broker", url)
    supervisor.add("monitor", "monitor", *data)
    supervisor.add("notify", "notify", *data, "--broker", url)
    supervisor.add("web", "web", *data, "--port", str(settings.port), "--access", settings.access)


def _run_parts(
    settings: Settings,
    url: str,
    supervisor: Supervisor,
    *,
    stop: threading.Event,
    console: Console,
    demo: Demo | None,
    welcome: str,
) -> None:
    address = coming_in.address_of(settings)
    with Progress(
        SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), console=console
    ) as bar:
        task = bar.add_task("Starting store, ingest, monitor and pages", total=None)
        _wait_for_pages(settings, supervisor, stop)
        bar.update(task, total=1, completed=1, description=f"Pages: {address}")
        if not console.is_terminal:
            console.print(f"Pages: {address}")
        if demo is not None and not stop.is_set():
            file = settings.data / "fleet" / "progress.json"
            file.unlink(missing_ok=True)
            supervisor.add(
                "fleet", "simulate", str(demo.scenario), "--broker", url,
                "--state", str(file.parent), "--days", f"{demo.history_days:g}",
            )  # fmt: skip
            _follow_replay(file, supervisor, stop, bar, units=demo.units)
    if not stop.is_set():
        _announce(console, address, settings.data)
        if welcome:
            console.print(welcome, highlight=False, soft_wrap=True)
    _watch(supervisor, stop)


def _announce(console: Console, address: str, data: Path) -> None:
    console.print(f"Manager  {address}/fleet\nCook     {address}/camp\nWorkshop {address}/workshop")
    console.print(f"Data and logs: {data}\nCtrl-C stops everything; starting again continues where it was.")


def _watch(supervisor: Supervisor, stop: threading.Event) -> None:
    while not stop.wait(_LOOK_EVERY_S):
        supervisor.check()


def write_progress(file: Path) -> Callable[[dict[str, Any]], None]:
    """Return a callback that keeps a simulated fleet's progress in a file, replaced in one step."""
    file.parent.mkdir(parents=True, exist_ok=True)
    fresh = file.with_suffix(".new")

    def write(progress: dict[str, Any]) -> None:
        fresh.write_text(json.dumps(progress), encoding="utf-8")
        fresh.replace(file)

    return write
