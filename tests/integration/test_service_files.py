"""The services started by the very commands of the systemd files, and a drill: back up, lose, restore."""

import configparser
import contextlib
import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from services.clock import now_ms
from services.domain.fleetfile import parse_fleet
from services.records.facade import Records
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from services.timebase import MINUTE_MS
from tests.helpers.broker import free_port
from tests.helpers.units import sample_of

pytestmark = pytest.mark.integration

ROOT = Path(__file__).resolve().parents[2]
UNITS = ROOT / "deploy" / "systemd"
PROGRAM, DATA = "/opt/bushlarder/.venv/bin/bushlarder", "/var/lib/bushlarder"
UNIT, SENT = "v3-meat", 90
FLEET = (
    '[[unit]]\nid = "v3-meat"\nkind = "fridge"\n[unit.supply]\nkind = "mains"\n'
    '[[person]]\nname = "Asha"\nrole = "manager"\n'
)


def start_command(name):
    """Return what a unit file says is to be run."""
    file = configparser.ConfigParser(strict=False, interpolation=None)
    file.optionxform = str
    file.read(UNITS / f"bushlarder-{name}.service")
    return file["Service"]["ExecStart"]


class Box:
    """A lodge box without containers, its folders under a test's own."""

    def __init__(self, folder):
        self.data = folder / "data"
        self.web_port, self.broker_port = free_port(), free_port()
        self.environment = {
            **os.environ,
            "BUSHLARDER_BROKER_URL": f"mqtt://127.0.0.1:{self.broker_port}",
            "BUSHLARDER_BROKER_FOLDER": str(self.data / "broker-files"),
            "BUSHLARDER_PORT": str(self.web_port),
        }
        self.token = ""
        self.running = {}
        self.log = folder / "log"

    def command(self, name):
        words = shlex.split(start_command(name).replace(DATA, str(self.data)))
        if words[0] == PROGRAM:
            words = [sys.executable, "-m", "deploy.cli", *words[1:]]
        else:
            words[0] = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin")
        return words

    def start(self, *names):
        for name in names:
            with self.log.open("ab") as log:
                self.running[name] = subprocess.Popen(
                    self.command(name), cwd=ROOT, env=self.environment, stdout=log, stderr=log
                )

    def stop(self):
        for process in reversed(self.running.values()):
            process.send_signal(signal.SIGTERM)
        codes = {name: process.wait(30) for name, process in self.running.items()}
        self.running = {}
        return codes

    def tool(self, *words, data=None):
        return subprocess.run(
            [sys.executable, "-m", "deploy.cli", *words, "--data", str(data or self.data)],
            cwd=ROOT, env=self.environment, capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    def get(self, path):
        asked = urllib.request.Request(
            f"http://127.0.0.1:{self.web_port}{path}", headers={"Authorization": f"Bearer {self.token}"}
        )
        with urllib.request.urlopen(asked, timeout=5) as answer:  # noqa: S310 - our own loopback address
            return json.loads(answer.read())

    def wait_for(self, condition, timeout_s=60):
        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            with contextlib.suppress(OSError, urllib.error.HTTPError):
                if condition():
                    return
            time.sleep(0.2)
        pytest.fail(f"waited too long; {self.log.read_text()[-2000:]}")


@pytest.fixture
def box(tmp_path):
    found = Box(tmp_path)
    found.data.mkdir()
    made = found.tool(
        "setup", "broker", "--to", str(found.data / "broker-files"), "--who", "Asha", "--host", "localhost",
        "--owner", "root", "--port", str(free_port()), "--service-port", str(found.broker_port),
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    records = Records(found.data / "records.db")
    records.apply_fleet(parse_fleet(FLEET, name="fleet.toml"), who="Asha", now_ms=now_ms())
    records.close()
    given = found.tool("person", "token", "watch", "--role", "manager")
    assert given.returncode == 0, given.stderr
    found.token = given.stdout.strip()
    yield found
    found.stop()


def send(box):
    """Have the unit send its last hour and a half, with the credential it was given."""
    given = box.tool("unit", "add", UNIT, "--who", "Asha")
    assert given.returncode == 0, given.stderr
    secret = next(line for line in given.stdout.splitlines() if line.startswith(f"{UNIT}:")).split(":", 1)[1]
    begin_ms = now_ms() - SENT * MINUTE_MS
    samples = [sample_of(UNIT, sq, start_ms=begin_ms) for sq in range(SENT)]
    port = next(
        line.split()[1]
        for line in (box.data / "broker-files" / "mosquitto.conf").read_text().splitlines()
        if line.startswith("listener") and "127.0.0.1" not in line
    )
    for first in range(0, SENT, 30):
        subprocess.run(
            ["mosquitto_pub", "-V", "mqttv5", "-q", "1", "-h", "localhost", "-p", port, "-i", UNIT, "-s",
             "--cafile", str(box.data / "broker-files" / "ca.crt"), "-u", UNIT, "-P", secret.strip(),
             "-t", topics.topic(UNIT, "up/bulk")],
            input=encode_pack(samples[first : first + 30]), check=True, timeout=30,
        )  # fmt: skip


def held(box):
    """Return how many readings of the unit the pages have."""
    channels = box.get(f"/api/v1/units/{UNIT}/samples?max_points=5000")["channels"]
    return sum(channels["cabinet_c"]["count"]) if "cabinet_c" in channels else 0


def test_the_services_run_as_their_files_say_and_a_lost_box_comes_back(box, tmp_path):
    box.start("broker", "ingest", "monitor", "notify", "web")
    box.wait_for(lambda: box.get("/health")["status"] == "ok")
    box.wait_for(
        lambda: (
            {part["name"] for part in box.get("/health")["parts"]} == {"ingest", "monitor", "notify", "web"}
        )
    )
    send(box)
    box.wait_for(lambda: [card["unit"] for card in box.get("/api/v1/units")["items"]] == [UNIT])
    box.wait_for(lambda: held(box) == SENT)
    backup = subprocess.run(
        box.command("backup"), cwd=ROOT, env=box.environment, capture_output=True, text=True, check=False
    )
    assert backup.returncode == 0, backup.stderr

    rounds = box.tool("doctor", "--json")
    rows = {row["what"]: row for row in json.loads(rounds.stdout)}
    states = {what: row["state"] for what, row in rows.items()}
    assert {
        what: states[what] for what in ("ingest", "monitor", "notify", "web", "broker", "backup", "set aside")
    } == (dict.fromkeys(("ingest", "monitor", "notify", "web", "broker", "backup", "set aside"), "ok")), rows
    assert states["broker's certificate"] == states["records.db"] == states["telemetry.db"] == "ok"
    assert "trouble" not in states.values(), rows
    assert rounds.returncode == 0
    for part in ("ingest", "monitor", "notify", "web"):
        assert box.tool("alive", part).returncode == 0

    refused = box.tool("restore", str(box.data / "backups"), "--replace")
    assert refused.returncode == 2
    assert "stop the box first" in refused.stderr
    before = held(box)
    assert box.stop() == dict.fromkeys(("broker", "ingest", "monitor", "notify", "web"), 0)
    assert box.tool("doctor").returncode == 1, "nothing runs any more"
    time.sleep(0.1)

    lost = tmp_path / "lost"
    (box.data / "broker-files").rename(tmp_path / "broker-files")
    box.data.rename(lost)
    restored = box.tool("restore", str(lost / "backups"))
    assert restored.returncode == 0, restored.stderr
    (tmp_path / "broker-files").rename(box.data / "broker-files")
    box.start("broker", "ingest", "monitor", "notify", "web")
    box.wait_for(lambda: box.get("/health")["status"] == "ok")
    assert held(box) == before == SENT
    assert [card["unit"] for card in box.get("/api/v1/units")["items"]] == [UNIT]


def test_doctor_finds_what_is_wrong_and_says_what_to_do(box):
    ill = box.tool("doctor", "--json")
    assert ill.returncode == 1
    rows = {row["what"]: row for row in json.loads(ill.stdout)}
    assert rows["ingest"]["state"] == rows["broker"]["state"] == "trouble"
    assert "nothing answers" in rows["broker"]["found"]
    assert rows["backup"]["state"] == "look"
    assert all(row["advice"] for row in rows.values() if row["state"] in {"look", "trouble"})
    (box.data / "broker-files" / "broker.key").chmod(0o644)
    file = box.data / "records.db"
    content = bytearray(file.read_bytes())
    content[4096:8192] = bytes(4096)
    file.write_bytes(content)
    worse = box.tool("doctor")
    assert worse.returncode == 1
    assert "others may read broker.key" in worse.stdout
    assert "TROUBLE  records.db" in worse.stdout
    assert "Traceback" not in worse.stderr
    assert box.tool("alive", "ingest").returncode == 1


def test_ingest_without_a_broker_names_the_setting(box):
    del box.environment["BUSHLARDER_BROKER_URL"]
    told = box.tool("ingest")
    assert (told.returncode, "broker_url" in told.stderr) == (2, True)
