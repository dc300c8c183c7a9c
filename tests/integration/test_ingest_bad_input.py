"""What units should not send: it is set aside, and nothing else is lost for it."""

import math
import time

import orjson
import pytest

from services.clock import now_ms
from services.telemetry import Sample, topics
from services.telemetry.packs import encode_pack
from tests.helpers.broker import running_broker
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.units import Unit, connected, publish, sample_of

pytestmark = pytest.mark.integration

UNIT = "v3-meat"


def json_pack(unit, sq, cabinet_records, t_s=1_760_000_000):
    """Return a hand-written pack of one sample."""
    head = [
        {"bn": f"{unit}/", "bt": t_s, "n": "sq", "v": sq},
        {"n": "bid", "v": 1},
        {"n": "up", "v": 60 * sq},
        {"n": "tq", "v": 2},
        {"n": "compressor", "vb": True},
    ]
    return orjson.dumps([*head, *cabinet_records])


def test_each_bad_input_loses_nothing_else(tmp_path):
    data = topics.topic(UNIT, "up/data")
    cabinet = {"n": "cabinet", "u": "Cel", "v": 3.5}
    ahead_ms = now_ms() + 3_600_000
    bad = {
        "unreadable": (data, b"\x9f\x00\xff not a pack"),
        "oversized": (data, b"[" + b" " * 70_000 + b"]"),
        "wrong unit": (
            data,
            json_pack(UNIT, 1, [{"n": "battery", "u": "Cel", "v": 12.5}, cabinet]),
        ),
        "other unit's name": (data, json_pack("v3-fish", 1, [cabinet])),
        "not a number": (data, json_pack(UNIT, 2, [{"n": "cabinet", "u": "Cel", "v": 1e999}, cabinet])),
        "wrong part": (data.replace(f"/{topics.part_of(UNIT)}/", "/99/"), json_pack(UNIT, 9, [cabinet])),
        "unknown leaf": (topics.topic(UNIT, "up/event").replace("event", "gossip"), b"{}"),
        "bad event": (topics.topic(UNIT, "up/event"), b'{"kind": 7}'),
    }
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT}) as running,
        connected(broker.url) as client,
    ):
        publish(client, data, encode_pack([sample_of(UNIT, 0)]))
        for topic, payload in bad.values():
            publish(client, topic, payload)
        nan = [
            s.replace(b"12.5", b"NaN") for s in [json_pack(UNIT, 3, [{"n": "battery", "u": "V", "v": 12.5}])]
        ]
        publish(client, data, nan[0])
        publish(client, data, json_pack(UNIT, 3, [cabinet]))
        future = Sample(UNIT, 1, 4, ahead_ms, 2, {"cabinet": 4.0, "compressor": True}, 240.0)
        publish(client, data, encode_pack([future]))
        publish(client, topics.topic(UNIT, "up/event"), b'{"kind": "boot", "bid": 1}')
        publish(client, data, encode_pack([sample_of(UNIT, 5)]))
        assert running.wait_for(lambda: running.store.newest_sq(UNIT).get(1) == 5)
        store = running.store

        reasons = [reject.rejected.reason for reject in store.quarantine()]
        assert {"undecodable", "too_large", "wrong_unit", "identity_mismatch", "wrong_topic"} <= set(reasons)
        assert "bad_message" in reasons
        held = store.read(UNIT, 0, 2**62)
        assert store.marks(UNIT)[1] == 5, f"held {len(held)} samples, refused for {reasons}"
        assert len(held) == 6
        assert store.latest(now_ms())[UNIT].t_ms == sample_of(UNIT, 5).t_ms, (
            "a future sample is not the latest"
        )
        assert held.t_ms[-1] == ahead_ms, "but it is kept"
        one = held.between(1_760_000_000_000, 1_760_000_000_001)
        assert math.isnan(one.numbers("battery_v")[1]), "volts sent as degrees are not volts"
        assert one.numbers("cabinet_c")[1] == 3.5
        assert [message.leaf for message in store.messages_after(0)] == ["up/event"]
        assert running.counters["faults"] == 0


def spoiled(bad_sq):
    """Return an encoder whose packs are unreadable whenever they hold one of some samples."""

    def encode(samples):
        payload = encode_pack(samples)
        return b"\x82" + payload[:20] if any(sample.sq in bad_sq for sample in samples) else payload

    return encode


@pytest.mark.parametrize(("bad_sq", "pack"), [({37}, 20), ({0, 41, 42}, 20), ({59}, 1)])
def test_an_unreadable_sample_does_not_block_its_unit(tmp_path, bad_sq, pack):
    samples = [sample_of(UNIT, sq) for sq in range(60)]
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT, "v3-fish"}) as running,
        connected(broker.url) as client,
    ):
        unit = Unit(broker.url, UNIT, samples, pack=pack, encode=spoiled(bad_sq)).start()
        try:
            publish(client, topics.topic("v3-fish", "up/data"), encode_pack([sample_of("v3-fish", 0)]))
            assert running.wait_for(lambda: running.store.marks("v3-fish") == {1: 0}, 3.0)
            confirmed = unit.wait_until_confirmed(45.0)
            assert confirmed, f"holds {sorted(unit.held)}, was asked {unit.questions}"
            skipped = running.store.skipped(UNIT)
            assert {each.from_sq for each in skipped} == bad_sq
            assert all(each.from_sq == each.to_sq and each.reason == "unreadable" for each in skipped)
            assert {each["from"] for each in unit.skipped} == bad_sq, "the unit is told what was given up"
            assert len(running.store.read(UNIT, 0, 2**62)) == 60 - len(bad_sq)
        finally:
            unit.stop()


def test_packs_of_an_unknown_unit_wait_unconfirmed_until_it_is_added(tmp_path):
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known=set()) as running,
    ):
        unit = Unit(broker.url, UNIT, [sample_of(UNIT, sq) for sq in range(500)], pack=5).start()
        try:
            assert running.wait_for(lambda: bool(running.store.waiting()))
            time.sleep(1.0)
            assert len(unit.held) == 500, "nothing may be confirmed before somebody knows the unit"
            assert len(running.store.read(UNIT, 0, 2**62)) == 0
            assert running.store.waiting()[0].unit == UNIT
            running.known.add(UNIT)
            assert unit.wait_until_confirmed(20.0)
            assert running.store.waiting() == []
            assert running.store.marks(UNIT) == {1: 499}
        finally:
            unit.stop()


def test_packs_kept_for_an_unknown_unit_are_replayed_even_when_it_never_sends_again(tmp_path):
    with running_broker(tmp_path) as broker:
        with (
            running_ingest(broker.url, tmp_path, known=set()) as running,
            connected(broker.url) as client,
        ):
            for sq in range(250):
                client.publish(topics.topic(UNIT, "up/data"), encode_pack([sample_of(UNIT, sq)]), 1)
            assert running.wait_for(lambda: running.counters["waiting"] == 250)
        with running_ingest(broker.url, tmp_path, known={UNIT}) as running:
            assert running.wait_for(lambda: running.store.marks(UNIT) == {1: 249})
            assert running.wait_for(lambda: running.store.waiting() == [])


def test_relative_times_join_nothing_without_expiry_until_the_clock_is_set(tmp_path):
    data = topics.topic(UNIT, "up/data")
    sent_ms = now_ms()
    relative = [
        {"bn": f"{UNIT}/", "n": "sq", "v": 0},
        {"n": "bid", "v": 1},
        {"n": "up", "v": 30},
        {"n": "tq", "v": 0},
        {"n": "compressor", "vb": True, "t": -30},
        {"n": "cabinet", "u": "Cel", "v": 4.5, "t": -30},
    ]
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT}) as running,
        connected(broker.url) as client,
    ):
        publish(client, data, orjson.dumps(relative))
        assert running.wait_for(lambda: running.store.marks(UNIT) == {1: 0})
        assert len(running.store.read(UNIT, 0, 2**62)) == 0, "nobody knows when this was"
        relative[0] = {"bn": f"{UNIT}/", "n": "sq", "v": 1}
        publish(client, data, orjson.dumps(relative), expiry_s=604_800)
        assert running.wait_for(lambda: running.store.marks(UNIT) == {1: 1})
        assert abs(running.store.read(UNIT, 0, 2**62).t_ms[0] - (sent_ms - 30_000)) < 5_000
        true_start_ms = sent_ms - 7_200_000
        later = Sample(UNIT, 1, 2, true_start_ms + 90_000, 2, {"cabinet": 5.0, "compressor": False}, 90.0)
        publish(client, data, encode_pack([later]))
        assert running.wait_for(lambda: running.store.marks(UNIT) == {1: 2})
        times = running.store.read(UNIT, 0, 2**62).t_ms.tolist()
        assert times == [true_start_ms + 30_000, true_start_ms + 30_000, true_start_ms + 90_000]
