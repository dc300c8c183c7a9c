"""A disk that fills up while units send: real broker, real ingest process, a small file system."""

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from services.clock import now_ms
from services.domain.fleetfile import parse_fleet
from services.pulse import signs
from services.records.facade import Records
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from tests.helpers.broker import running_broker
from tests.helpers.units import sample_of

pytestmark = pytest.mark.integration

ROOT = Path(__file__).resolve().parents[2]
UNIT = "v3-meat"
PACKS, PER_PACK = 700, 60
DISK_MB = 16
LEFT_MB = 2
"""Room above the reserve when units begin to send: less than their samples take."""
MB = 1_000_000


@contextlib.contextmanager
def small_disk(folder):
    """Mount a file system of a few MB, or skip where that is not allowed."""
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(folder)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if made.returncode != 0:
        pytest.skip(f"no small file system can be mounted here: {made.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@contextlib.contextmanager
def ingest(data, url, *, reserve_mb):
    process = subprocess.Popen(
        [sys.executable, "-m", "deploy.cli", "ingest", "--data", str(data), "--broker", url],
        cwd=ROOT,
        env={**os.environ, "BUSHLARDER_RESERVE_MB": str(reserve_mb)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        _, told = process.communicate(timeout=30)
    assert process.returncode == 0, told[-2000:]


def send(url, packs):
    """Publish packs and wait until the broker has all of them; return what has been confirmed since."""
    port = int(url.rsplit(":", 1)[1])
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "unit", protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(20)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 0
    client.connect("127.0.0.1", port, properties=properties)
    client.loop_start()
    confirmed = {"sq": -1}

    def on_message(_client, _userdata, message):
        acks = json.loads(message.payload)["acks"]
        confirmed["sq"] = max([confirmed["sq"], *(ack["sq"] for ack in acks)])

    client.on_message = on_message
    client.subscribe(topics.topic(UNIT, "down/ack"), qos=1)
    sent = [client.publish(topics.topic(UNIT, "up/bulk"), pack, qos=1) for pack in packs]
    for each in sent:
        each.wait_for_publish(60)
    return client, confirmed


def wait_for(condition, timeout_s=60.0):
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.1)
    return False


def trouble(data):
    sign = signs(data).get("ingest")
    return None if sign is None else sign.trouble


def stored(data):
    with contextlib.closing(sqlite3.connect(data / "telemetry.db")) as connection:
        return connection.execute("SELECT count(*), count(DISTINCT sq) FROM samples").fetchone()


def written_by_a_person(data):
    """Return whether the records still take what somebody says."""
    records = Records(data / "records.db")
    records.say_note(UNIT, who="Asha", note="the disk is full", now_ms=now_ms())
    return records.statements(UNIT)[0].body["note"] == "the disk is full"


@pytest.mark.parametrize(
    "reserve_mb",
    [pytest.param(3, id="stops-before-the-disk-is-full"), pytest.param(0, id="stops-at-a-write-that-fails")],
)
def test_a_full_disk_stops_acknowledging_says_so_and_loses_nothing(tmp_path, reserve_mb):
    packs = [
        encode_pack([sample_of(UNIT, pack * PER_PACK + place) for place in range(PER_PACK)])
        for pack in range(PACKS)
    ]
    with small_disk(tmp_path / "disk") as disk, running_broker(tmp_path) as broker:
        fleet = '[[unit]]\nid = "v3-meat"\nkind = "fridge"\n[[person]]\nname = "Asha"\nrole = "manager"\n'
        records = Records(disk / "records.db")
        records.apply_fleet(parse_fleet(fleet, name="fleet.toml"), who="Asha", now_ms=now_ms())
        records.close()
        with ingest(disk, broker.url, reserve_mb=reserve_mb):
            assert wait_for(lambda: signs(disk).get("ingest") is not None)
            ballast = disk / "something-else"
            ballast.write_bytes(bytes(shutil.disk_usage(disk).free - (reserve_mb + LEFT_MB) * MB))
            client, confirmed = send(broker.url, packs)
            try:
                assert wait_for(lambda: trouble(disk) is not None), stored(disk)
                assert "disk is full" in trouble(disk)
                time.sleep(1.0)
                held = stored(disk)[0]
                assert confirmed["sq"] + 1 <= held < PACKS * PER_PACK, "no more is confirmed than is held"
                time.sleep(2.0)
                assert stored(disk)[0] == held, "nothing is taken while there is no room"
                assert now_ms() - signs(disk)["ingest"].beat_ms < 8_000, "it lives and says so all the while"
                if reserve_mb:
                    assert shutil.disk_usage(disk).free > 1 * MB
                    assert written_by_a_person(disk)
                ballast.unlink()
                assert wait_for(lambda: stored(disk)[0] == PACKS * PER_PACK), (stored(disk), trouble(disk))
                assert wait_for(lambda: confirmed["sq"] == PACKS * PER_PACK - 1)
                assert wait_for(lambda: trouble(disk) is None)
                assert stored(disk) == (PACKS * PER_PACK, PACKS * PER_PACK)
            finally:
                client.loop_stop()
                client.disconnect()
