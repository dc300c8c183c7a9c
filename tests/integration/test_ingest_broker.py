"""Ingest and a broker that goes away, and what ingest says to units."""

import secrets
import time
from dataclasses import dataclass, field

import orjson
import pytest

from services.clock import now_ms
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from tests.helpers.broker import running_broker
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.units import Unit, connected, publish, sample_of

pytestmark = pytest.mark.integration

UNIT = "v3-meat"


@dataclass
class Queued:
    """A command as records hands it over."""

    id: int
    unit: str = UNIT
    name: str = "status"
    arguments: dict = field(default_factory=dict)
    expires_ms: int = 0
    correlation: bytes = field(default_factory=lambda: secrets.token_bytes(16))


def listen(client, *filters):
    """Collect what arrives, with the time of arrival."""
    heard = []
    client.on_message = lambda _client, _userdata, message: heard.append((time.monotonic(), message))
    for each in filters:
        client.subscribe(each, 1)
    time.sleep(0.2)
    return heard


@pytest.mark.parametrize("hard", [False, True], ids=["stopped", "killed"])
def test_samples_keep_flowing_after_the_broker_comes_back(tmp_path, hard):
    with (
        running_broker(tmp_path, autosave_s=1) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT}) as running,
    ):
        unit = Unit(broker.url, UNIT, [sample_of(UNIT, sq) for sq in range(2_000)], pack=10).start()
        try:
            assert running.wait_for(lambda: running.counters["stored"] > 300)
            broker.restart(hard=hard, down_s=0.5)
            assert unit.wait_until_confirmed(30.0), f"{len(unit.held)} are still held"
        finally:
            unit.stop()
        assert running.link.epoch >= 2
        assert running.store.marks(UNIT) == {1: 1_999}
        assert len(running.store.read(UNIT, 0, 2**62)) == 2_000


def test_a_restarted_ingest_gets_what_came_while_it_was_away(tmp_path):
    with running_broker(tmp_path) as broker:
        with running_ingest(broker.url, tmp_path, known={UNIT}):
            pass
        with connected(broker.url) as client:
            for sq in range(50):
                publish(client, topics.topic(UNIT, "up/data"), encode_pack([sample_of(UNIT, sq)]))
        with running_ingest(broker.url, tmp_path, known={UNIT}) as running:
            assert running.wait_for(lambda: running.counters["stored"] == 50)
            assert running.counters["redelivered"] == 0, "all of it was waiting, nothing was half done"


def test_confirmations_are_few_retained_and_end_with_the_newest_mark(tmp_path):
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT}) as running,
        connected(broker.url) as client,
        connected(broker.url, "listener") as listener,
    ):
        heard = listen(listener, topics.topic(UNIT, "down/ack"))
        start = time.monotonic()
        for sq in range(400):
            client.publish(topics.topic(UNIT, "up/data"), encode_pack([sample_of(UNIT, sq)]), 1)
            time.sleep(0.005)
        assert running.wait_for(lambda: running.counters["stored"] == 400)
        time.sleep(0.6)
        seconds = time.monotonic() - start
        marks = [orjson.loads(message.payload)["acks"][0]["sq"] for _, message in heard]
        assert marks[-1] == 399, "the delayed last mark must still go out"
        assert marks == sorted(marks)
        assert 2 <= len(marks) <= 5 * seconds + 1
        again = listen(client, topics.topic(UNIT, "down/ack"))
        assert [message.retain for _, message in again] == [True]


def test_a_last_will_of_an_older_boot_is_ignored(tmp_path):
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT}) as running,
        connected(broker.url) as client,
    ):
        status = topics.topic(UNIT, "status")
        publish(client, status, b'{"s":"on","bid":4,"fw":"1.2","next":60}', retain=True)
        publish(client, status, b'{"s":"lost","bid":3}', retain=True)
        publish(client, status, b'{"s":"sleeping soundly","bid":5}', retain=True)
        assert running.wait_for(lambda: running.store.quarantine_count() == 1)
        assert running.store.statuses()[UNIT].s == "on"
        assert running.store.statuses()[UNIT].next_s == 60
        publish(client, status, b'{"s":"lost","bid":4}', retain=True)
        assert running.wait_for(lambda: running.store.statuses()[UNIT].s == "lost")
        assert running.store.statuses()[UNIT].fw == "1.2", "a will does not know the version"


def test_queued_commands_go_out_once_with_reply_address_and_expiry(tmp_path):
    with (
        running_broker(tmp_path) as broker,
        connected(broker.url) as client,
    ):
        heard = listen(client, topics.topic(UNIT, "down/cmd"))
        commands = [
            Queued(1, expires_ms=now_ms() + 60_000),
            Queued(2, expires_ms=now_ms() - 1),
            Queued(3, name="set", arguments={"interval_s": 120}, expires_ms=now_ms() + 60_000),
        ]
        for _ in range(2):
            with running_ingest(broker.url, tmp_path, known={UNIT}) as running:
                running.queued = commands
                assert running.wait_for(lambda: set(running.store.sent_commands()) == {"1", "2", "3"})
                assert running.wait_for(lambda: running.beats >= 2), "the heart beats each second"
                time.sleep(0.3)
        messages = [message for _, message in heard]
        assert [orjson.loads(message.payload)["name"] for message in messages] == ["status", "set"]
        assert [m.properties.CorrelationData for m in messages] == [
            commands[0].correlation,
            commands[2].correlation,
        ]
        assert messages[0].properties.ResponseTopic == topics.topic(UNIT, "up/resp")
        assert 0 < messages[0].properties.MessageExpiryInterval <= 60
