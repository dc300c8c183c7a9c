"""Killing ingest, and the broker, again and again, while samples flow."""

import contextlib
import random
import signal
import sqlite3
import threading
import time

import orjson
import pytest

from services.telemetry import milli_of, topics
from services.telemetry.packs import encode_pack
from tests.helpers.broker import running_broker
from tests.helpers.ingest_process import IngestProcess
from tests.helpers.units import Unit, connected, sample_of

pytestmark = pytest.mark.integration

SAMPLES = 20_000
KILLS = 20
PORTION = SAMPLES // (KILLS + 1)
PORTION_S = 0.9
"""A portion flows this long: during a kill and the start that follows."""
UNITS = tuple(f"unit-{number:02d}" for number in range(20))
EACH = SAMPLES // len(UNITS)


class Flow(threading.Thread):
    """Publishes every sample once, a portion at a time, and notes what the broker acknowledged."""

    def __init__(self, url):
        super().__init__(daemon=True)
        self.url = url
        self.sent = {}
        self.acknowledged_mids = []
        self.portions = threading.Semaphore(0)

    def run(self):
        with connected(self.url) as client:
            client.on_publish = lambda _client, _userdata, mid, *_: self.acknowledged_mids.append(mid)
            for start in range(0, SAMPLES, PORTION):
                self.portions.acquire(timeout=60.0)
                self._publish(client, range(start, min(start + PORTION, SAMPLES)))
            deadline = time.monotonic() + 10.0
            while len(self.acknowledged_mids) < SAMPLES and time.monotonic() < deadline:
                time.sleep(0.02)

    def _publish(self, client, numbers):
        begun = time.monotonic()
        for number in numbers:
            unit, sq = UNITS[number % len(UNITS)], number // len(UNITS)
            payload = encode_pack([sample_of(unit, sq)])
            self.sent[client.publish(topics.topic(unit, "up/data"), payload, 1).mid] = (unit, sq)
            if number % 20 == 0:
                due = begun + (number - numbers.start) * PORTION_S / PORTION
                time.sleep(max(0.0, due - time.monotonic()))

    def acknowledged(self):
        return [self.sent[mid] for mid in self.acknowledged_mids]


def stored_in(path):
    """Return what plain SQL finds of every identity: time and values."""
    query = (
        "SELECT unit, bid, sq, t_ms, cabinet_c, battery_v, compressor_on, ambient_c"
        " FROM samples JOIN units USING (unit_no)"
    )
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


def row_expected(unit, sq):
    sample = sample_of(unit, sq)
    cabinet, battery, ambient = (milli_of(sample.values[name]) for name in ("cabinet", "battery", "ambient"))
    return (unit, 1, sq, sample.t_ms, cabinet, battery, int(sample.values["compressor"]), ambient)


def confirmed_to_units(url, units):
    """Return the mark that each unit finds on its retained down/ack."""
    marks = {}
    with connected(url, "mark-reader") as client:

        def note(_client, _userdata, message):
            marks[topics.parse(message.topic).unit] = orjson.loads(message.payload)["acks"]

        client.on_message = note
        client.subscribe("cold/v1/+/+/down/ack", 1)
        deadline = time.monotonic() + 10.0
        while len(marks) < len(units) and time.monotonic() < deadline:
            time.sleep(0.02)
    return marks


def test_nothing_acknowledged_is_lost_or_doubled_over_twenty_kills(tmp_path):
    rng = random.Random(20_260)  # noqa: S311 - moments, not secrets
    (tmp_path / "known.txt").write_text("\n".join(UNITS))
    with running_broker(tmp_path) as broker, IngestProcess(tmp_path, broker.url) as ingest:
        ingest.start()
        flow = Flow(broker.url)
        flow.start()
        for _ in range(KILLS):
            ingest.wait_for("ready", 1)
            flow.portions.release()
            ingest.kill_at_random(rng, longest_s=0.5)
            ingest.start()
        ingest.wait_for("ready", 1)
        flow.portions.release(2)
        flow.join(timeout=30.0)
        assert not flow.is_alive()
        ingest.wait_until_stored(tmp_path / "telemetry.db", SAMPLES, timeout_s=20.0)
        time.sleep(0.5)  # for the last delayed confirmations
        ingest.end(signal.SIGTERM)
        marks = confirmed_to_units(broker.url, UNITS)

    assert len(flow.acknowledged()) == SAMPLES
    stored = stored_in(tmp_path / "telemetry.db")
    assert len(stored) == SAMPLES, "lost or doubled"
    assert sorted(stored) == sorted(row_expected(unit, sq) for unit, sq in flow.acknowledged())
    assert marks == {unit: [{"bid": 1, "sq": EACH - 1}] for unit in UNITS}
    with_redelivery = sum(life.get("redelivered", 0) > 0 for life in ingest.lives)
    print(
        f"kills {KILLS}, lives that began with redelivered messages {with_redelivery}, redelivered"
        f" {sum(life['redelivered'] for life in ingest.lives)}, of these already stored"
        f" {sum(life['duplicates'] for life in ingest.lives)}, lost 0, doubled 0"
    )
    assert with_redelivery >= 10


def test_units_lose_nothing_when_broker_and_ingest_are_both_killed(tmp_path):
    rng = random.Random(7)  # noqa: S311
    names = UNITS[:4]
    (tmp_path / "known.txt").write_text("\n".join(names))
    with running_broker(tmp_path, autosave_s=1) as broker, contextlib.ExitStack() as stack:
        ingest = stack.enter_context(IngestProcess(tmp_path, broker.url))
        ingest.start()
        units = []
        for name in names:
            samples = [sample_of(name, sq) for sq in range(1_500)]
            units.append(Unit(broker.url, name, samples, pack=5).start())
            stack.callback(units[-1].stop)
        for round_no in range(4):
            ingest.wait_for("received", 1, timeout_s=25.0)
            time.sleep(rng.uniform(0.1, 0.5))
            if round_no % 2:
                broker.restart(hard=True, down_s=0.2)
            else:
                ingest.end(signal.SIGKILL)
                ingest.start()
        for unit in units:
            assert unit.wait_until_confirmed(35.0), f"{unit.name} still holds {len(unit.held)}"
        ingest.end(signal.SIGTERM)

    expected = sorted(row_expected(name, sq) for name in names for sq in range(1_500))
    assert sorted(stored_in(tmp_path / "telemetry.db")) == expected
