"""Ingest, monitor and pages as processes whose records are on a real PostgreSQL."""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from deploy.backup import verify
from tests.helpers.broker import free_port, running_broker
from tests.helpers.postgres import programs, running_postgres

pytestmark = pytest.mark.integration

ROOT = Path(__file__).resolve().parents[2]
FLEET = '[[unit]]\nid = "v3-meat"\nkind = "fridge"\n[[person]]\nname = "Asha"\nrole = "manager"\n'


def test_the_parts_meet_in_a_database_on_a_server(tmp_path):
    if programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    data, port = tmp_path / "data", free_port()
    (tmp_path / "fleet.toml").write_text(FLEET)
    (tmp_path / "password").write_text("not-asked-for-here\n")
    with running_postgres() as server, running_broker(tmp_path) as broker:
        environment = {
            **os.environ,
            "BUSHLARDER_DATA": str(data),
            "BUSHLARDER_RECORDS_URL": server.fresh(),
            "BUSHLARDER_RECORDS_PASSWORD_FILE": str(tmp_path / "password"),
            "BUSHLARDER_BROKER_URL": broker.url,
            "BUSHLARDER_PORT": str(port),
        }

        def command(*words):
            return [sys.executable, "-m", "deploy.cli", *words, "--data", str(data)]

        def tool(*words):
            return subprocess.run(
                command(*words), cwd=ROOT, env=environment, capture_output=True, text=True, check=False
            )

        applied = tool("fleet", "apply", str(tmp_path / "fleet.toml"), "--who", "Asha")
        assert applied.returncode == 0, applied.stderr
        given = tool("person", "token", "watch", "--role", "manager")
        assert given.returncode == 0, given.stderr
        asked = urllib.request.Request(
            f"http://127.0.0.1:{port}/health", headers={"Authorization": f"Bearer {given.stdout.strip()}"}
        )
        log = (tmp_path / "log").open("ab")
        running = [
            subprocess.Popen(command(part), cwd=ROOT, env=environment, stdout=log, stderr=log)
            for part in ("ingest", "monitor", "web")
        ]
        try:
            seen = None
            for _ in range(300):
                try:
                    with urllib.request.urlopen(asked, timeout=5) as answer:  # noqa: S310 - loopback
                        seen = json.loads(answer.read())
                    break
                except (OSError, urllib.error.HTTPError):
                    time.sleep(0.3)
            assert seen is not None, (tmp_path / "log").read_text()[-2000:]
            assert (seen["status"], seen["units"]) == ("ok", 1)
        finally:
            for process in running:
                process.send_signal(signal.SIGTERM)
            codes = [process.wait(30) for process in running]
            log.close()
        assert codes == [0, 0, 0]
        assert not (data / "records.db").exists()
        told = tool("backup", "--to", str(tmp_path / "backups"))
        assert "pg_dump" in told.stdout
        (made,) = (tmp_path / "backups").glob("bushlarder-*")
        assert "records.db" not in verify(made).manifest["files"]
