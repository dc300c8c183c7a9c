"""Broker start and supervisor with real processes."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import psutil
import pytest

from deploy import lodge_box
from deploy import supervisor as supervisor_module
from deploy.broker import broker, find_mosquitto
from deploy.supervisor import Supervisor
from services.errors import ConfigurationError, DependencyUnavailable

pytestmark = pytest.mark.integration

ROOT = Path(__file__).resolve().parents[2]


def until(found, within_s=30.0):
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if result := found():
            return result
        time.sleep(0.05)
    raise AssertionError("not in time")


def carries(url, payload):
    """Whether a broker takes a version 5 message and hands it on."""
    port = int(url.rsplit(":", 1)[1])
    got, ready = [], threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="probe", protocol=mqtt.MQTTv5)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _client, _data, message: got.append(message.payload)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        client.subscribe("cold/v1/#", qos=1)
        assert ready.wait(10)
        client.publish("cold/v1/03/v3-meat/up/data", payload, qos=1)
        return until(lambda: got) == [payload]
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.mark.parametrize("embedded", [False, True], ids=["mosquitto", "embedded"])
def test_a_broker_is_started_on_loopback_and_takes_large_packs(tmp_path, embedded):
    if not embedded and find_mosquitto() is None:
        pytest.skip("no mosquitto on this machine")
    with broker(None, tmp_path, embedded=embedded) as (url, _):
        assert url.startswith("mqtt://127.0.0.1:")
        assert carries(url, b"x" * 40_000)
        port = int(url.rsplit(":", 1)[1])
        held = {
            c.laddr.ip for c in psutil.net_connections("tcp") if c.laddr.port == port and c.status == "LISTEN"
        }
        assert held == {"127.0.0.1"}
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0


def test_a_configured_broker_is_used_as_it_is(tmp_path):
    with broker("mqtt://camp.example:1883", tmp_path) as (url, which):
        assert (url, which) == ("mqtt://camp.example:1883", "configured broker")


def test_a_part_that_dies_is_started_again_and_stops_with_the_rest(tmp_path):
    told = []
    parts = Supervisor(tmp_path / "logs", on_restart=lambda name, code: told.append((name, code)))
    parts.add("monitor", "monitor", "--data", str(tmp_path / "data"))
    try:
        first = parts.children[0].process
        until((tmp_path / "data" / "records.db").exists)
        first.kill()
        first.wait(10)

        def again():
            parts.check()
            return parts.running("monitor") and parts.children[0].process.pid != first.pid

        until(again)
        assert told == [("monitor", -signal.SIGKILL)]
    finally:
        parts.stop()
    assert not parts.running("monitor")


def test_a_part_that_cannot_start_is_named_with_the_end_of_its_log(tmp_path):
    parts = Supervisor(tmp_path / "logs")
    parts.add("web", "web", "--port", "99999999")
    try:
        until(lambda: not parts.running("web"))
        with pytest.raises(DependencyUnavailable, match="web ended with code 2"):
            parts.require("web")
    finally:
        parts.stop()


def test_children_stop_when_their_parent_is_killed(tmp_path):
    script = (
        "import sys, time; from pathlib import Path; from deploy.supervisor import Supervisor\n"
        "s = Supervisor(Path(sys.argv[1]) / 'logs'); s.add('monitor', 'monitor', '--data', sys.argv[1])\n"
        "print(s.children[0].process.pid, flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    with parent:
        child = psutil.Process(int(parent.stdout.readline()))
        until((tmp_path / "records.db").exists)
        os.kill(parent.pid, signal.SIGKILL)
    _gone, alive = psutil.wait_procs([child], timeout=20)
    for left in alive:
        left.kill()
    assert alive == []


def test_a_taken_port_is_refused_before_anything_starts():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ConfigurationError, match=f"127.0.0.1:{port} cannot be used"):
            lodge_box.require_free_port("127.0.0.1", port)


def test_progress_is_written_in_one_step(tmp_path):
    write = lodge_box.write_progress(tmp_path / "fleet" / "progress.json")
    write({"total": 3})
    write({"total": 4})
    assert json.loads((tmp_path / "fleet" / "progress.json").read_text()) == {"total": 4}
    assert [path.name for path in (tmp_path / "fleet").iterdir()] == ["progress.json"]


def test_a_log_that_has_grown_long_is_turned_over_while_its_child_goes_on(tmp_path, monkeypatch):
    monkeypatch.setattr(supervisor_module, "LOG_BYTES", 2_000)
    log = tmp_path / "part.log"
    talking = [
        sys.executable,
        "-uc",
        "import time\nfor n in range(400): print(f'line {n}'); time.sleep(0.005)",
    ]
    with log.open("ab") as stream:
        process = subprocess.Popen(talking, stdout=stream)
    child = supervisor_module._Child("part", talking, log, process)
    running = supervisor_module.Supervisor(tmp_path, [child])
    largest = 0
    while process.poll() is None:
        running.check()
        largest = max(largest, log.stat().st_size)
        time.sleep(0.02)
    assert (tmp_path / "part.1.log").stat().st_size > 2_000
    assert largest < 3_900, "all of it together is longer"
    assert log.read_text().endswith("line 399\n")
    assert "\0" not in log.read_text()
