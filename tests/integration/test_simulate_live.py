"""The simulate command against a real broker: repeated units on the air, a stretch replayed, a clean stop."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from services.telemetry.packs import decode_pack
from services.telemetry.topics import parse, service_filters
from tests.helpers.broker import running_broker
from tests.helpers.small_fleet import write_small_fleet

pytestmark = pytest.mark.integration

ROOT = Path(__file__).resolve().parents[2]
WITHIN_S = 40.0
UNITS = {"cart-meat", "hall-frozen", "cart-meat-x2"}


def test_repeated_units_replay_their_past_at_the_speed_asked_for_and_stop_when_told(tmp_path):
    heard, guard = {}, threading.Lock()

    def take(_client, _user, message):
        place = parse(message.topic)
        if place is None or not place[2].startswith("up/"):
            return
        if place[2] in {"up/data", "up/bulk"}:
            pack = decode_pack(message.topic, message.payload, received_ms=0, expiry_left_s=None)
            with guard:
                heard.setdefault(place[1], []).extend(sample.t_ms for sample in pack.samples)

    scenario, state = write_small_fleet(tmp_path), tmp_path / "state"
    with running_broker(tmp_path / "broker") as broker:
        listener = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        listener.on_connect = lambda client, *_: client.subscribe([(f, 1) for f in service_filters()])
        listener.on_message = take
        listener.connect("127.0.0.1", broker.port)
        listener.loop_start()
        command = [
            sys.executable, "-m", "deploy.cli", "simulate", str(scenario), "--broker", broker.url,
            "--state", str(state), "--days", "0.05", "--units", "3", "--speed", "720",
        ]  # fmt: skip
        run = subprocess.Popen(command, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)})
        try:
            deadline = time.monotonic() + WITHIN_S
            while time.monotonic() < deadline:
                with guard:
                    spans = {unit: max(times) - min(times) for unit, times in heard.items() if times}
                if set(spans) == UNITS and min(spans.values()) > 30 * 60_000:
                    break
                time.sleep(0.1)
            assert set(spans) == UNITS
            assert min(spans.values()) > 30 * 60_000
            progress = json.loads((state / "progress.json").read_text(encoding="utf-8"))
            assert progress["sent"] > 0
            run.send_signal(signal.SIGTERM)
            assert run.wait(timeout=20) == 0
        finally:
            run.kill()
            run.wait()
            listener.loop_stop()
            listener.disconnect()
