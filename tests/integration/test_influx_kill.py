"""Killing the database, and ingest, again and again, while samples flow into an InfluxDB."""

import contextlib
import json
import random
import signal
import time
from dataclasses import asdict

import numpy as np
import pytest

from services.store.influx import InfluxReader
from services.telemetry import milli_of
from tests.helpers.broker import running_broker
from tests.helpers.influx_server import InfluxServer
from tests.helpers.ingest_process import IngestProcess
from tests.helpers.units import Unit, sample_of

pytestmark = pytest.mark.integration

NAMES = ("unit-00", "unit-01", "unit-02")
SAMPLES = 1_500


def test_units_lose_nothing_when_database_and_ingest_are_both_killed(tmp_path):
    rng = random.Random(11)  # noqa: S311 - moments, not secrets
    (tmp_path / "known.txt").write_text("\n".join(NAMES))
    with contextlib.ExitStack() as stack:
        server = InfluxServer(tmp_path / "influx")
        stack.callback(server.stop)
        server.start().ask("CREATE DATABASE larder")
        access = server.access("larder", timeout_s=2.0)
        (tmp_path / "influx.json").write_text(json.dumps(asdict(access)))
        broker = stack.enter_context(running_broker(tmp_path))
        ingest = stack.enter_context(IngestProcess(tmp_path, broker.url))
        ingest.start()
        units = []
        for name in NAMES:
            samples = [sample_of(name, sq) for sq in range(SAMPLES)]
            units.append(Unit(broker.url, name, samples, pack=5).start())
            stack.callback(units[-1].stop)
        cut_short = 0
        for round_no in range(6):
            ingest.wait_for("received", 1, timeout_s=25.0)
            time.sleep(rng.uniform(0.1, 0.4))
            cut_short += any(unit.held for unit in units)
            if round_no % 3 == 2:
                ingest.end(signal.SIGKILL)
                ingest.start()
            else:
                server.kill_database()
                time.sleep(0.3)
                server.start_database()
        for unit in units:
            assert unit.wait_until_confirmed(60.0), f"{unit.name} still holds {len(unit.held)}"
        ingest.end(signal.SIGTERM)
        with contextlib.closing(InfluxReader(access, tmp_path / "telemetry.db")) as reader:
            for name in NAMES:
                _assert_all_there(reader, name)
            assert reader.quarantine_count() == 0
    assert cut_short >= 3, "most kills came while samples flowed"


def _assert_all_there(reader, name):
    expected = [sample_of(name, sq) for sq in range(SAMPLES)]
    series = reader.read(name, 0, 2**62)
    assert series.t_ms.tolist() == [sample.t_ms for sample in expected], "lost or doubled"
    for channel, column in (("cabinet", "cabinet_c"), ("battery", "battery_v"), ("ambient", "ambient_c")):
        kept = np.rint(series.numbers(column) * 1000).astype(int).tolist()
        assert kept == [milli_of(sample.values[channel]) for sample in expected]
    assert reader.marks(name) == {1: SAMPLES - 1}


def test_an_outage_of_the_database_keeps_messages_unacknowledged_until_it_is_back(tmp_path):
    (tmp_path / "known.txt").write_text(NAMES[0])
    with contextlib.ExitStack() as stack:
        server = InfluxServer(tmp_path / "influx")
        stack.callback(server.stop)
        server.start().ask("CREATE DATABASE larder")
        access = server.access("larder", timeout_s=2.0)
        (tmp_path / "influx.json").write_text(json.dumps(asdict(access)))
        broker = stack.enter_context(running_broker(tmp_path))
        ingest = stack.enter_context(IngestProcess(tmp_path, broker.url))
        server.kill_database()
        ingest.start()
        unit = Unit(broker.url, NAMES[0], [sample_of(NAMES[0], sq) for sq in range(200)]).start()
        stack.callback(unit.stop)
        ingest.wait_for("received", 1)
        time.sleep(2.0)
        assert len(unit.held) == 200, "nothing is confirmed that is not kept"
        assert ingest.counted()["stored"] == 0
        server.start_database()
        assert unit.wait_until_confirmed(20.0)
        ingest.end(signal.SIGTERM)
        with contextlib.closing(InfluxReader(access, tmp_path / "telemetry.db")) as reader:
            assert len(reader.read(NAMES[0], 0, 2**62)) == 200
