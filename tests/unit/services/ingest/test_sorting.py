"""Where each message ends up."""

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.ingest.sorting import KEPT_BYTES, Letter, Sorted, sort_letter
from services.telemetry import Sample, topics
from services.telemetry.packs import encode_pack

UNIT = "v3-meat"
KNOWN = frozenset({UNIT})
PACK = encode_pack([Sample(UNIT, 2, 5, 1_760_000_000_000, 2, {"cabinet": 3.0, "compressor": True}, 60.0)])


def sorted_from(topic, payload, **more):
    result = Sorted()
    sort_letter(result, Letter(topic, payload, 1_760_000_000_000, **more), KNOWN)
    return result


def test_a_pack_brings_samples_and_names_its_boot():
    result = sorted_from(topics.topic(UNIT, "up/data"), PACK)
    assert [(sample.bid, sample.sq) for sample in result.samples] == [(2, 5)]
    assert result.touched == {UNIT: {2}}
    assert result.rejects == []
    assert result.unreadable == []


@pytest.mark.parametrize(("leaf", "resent"), [("up/data", False), ("up/bulk", True)])
def test_an_unreadable_pack_is_kept_and_reported(leaf, resent):
    result = sorted_from(topics.topic(UNIT, leaf), b"\x80" + b"x" * 100)
    assert result.unreadable == [(UNIT, resent)]
    (reject,) = result.rejects
    assert reject.rejected.unit == UNIT
    assert reject.payload.startswith(b"\x80x")


def test_of_an_oversized_payload_the_beginning_is_kept():
    (reject,) = sorted_from(topics.topic(UNIT, "up/data"), b"[" * 200_000).rejects
    assert len(reject.payload) == KEPT_BYTES


def test_everything_of_an_unknown_unit_waits_raw():
    for leaf in ("up/data", "up/bulk", "up/event", "status"):
        result = sorted_from(topics.topic("v9-new", leaf), b"whatever", expiry_left_s=5)
        (pack,) = result.waiting
        assert (pack.unit, pack.payload, pack.expiry_left_s) == ("v9-new", b"whatever", 5)
        assert [*result.samples, *result.rejects, *result.touched] == []


def test_a_topic_that_is_not_ours_is_refused():
    wrong_part = f"cold/v1/{(int(topics.part_of(UNIT)) + 1) % 16:02d}/{UNIT}/up/data"
    for topic in ("", "cold/v1/00/x/up/data", wrong_part, "cold/v2/00/v3-meat/up/data", "\ufffd"):
        (reject,) = sorted_from(topic, PACK).rejects
        assert reject.rejected.reason == "wrong_topic"


def test_a_status_is_kept_and_a_live_one_is_owed_a_confirmation():
    result = sorted_from(topics.topic(UNIT, "status"), b'{"s":"sleep","bid":3,"next":600}')
    assert (result.statuses[0].s, result.statuses[0].next_s) == ("sleep", 600)
    assert result.touched == {UNIT: {3}}
    lost = sorted_from(topics.topic(UNIT, "status"), b'{"s":"lost","bid":3}')
    assert lost.touched == {}
    assert sorted_from(topics.topic(UNIT, "status"), b"").rejects == [], "a cleared status says nothing"


def test_replies_keep_what_ties_them_to_their_question():
    body = orjson.dumps({"name": "backfill", "result": "gone"})
    result = sorted_from(topics.topic(UNIT, "up/resp"), body, correlation=b"\x07")
    assert (result.replies[0].unit, result.replies[0].correlation) == (UNIT, b"\x07")
    assert result.messages[0].correlation == b"\x07"


def test_relative_times_without_expiry_are_marked_as_unknown():
    pack = [
        {"bn": f"{UNIT}/", "n": "sq", "v": 0},
        {"n": "bid", "v": 1},
        {"n": "up", "v": 30},
        {"n": "compressor", "vb": True, "t": -30},
    ]
    topic = topics.topic(UNIT, "up/data")
    assert sorted_from(topic, orjson.dumps(pack)).samples[0].tq == -1
    assert sorted_from(topic, orjson.dumps(pack), expiry_left_s=604_800).samples[0].tq == 0


leaves = st.sampled_from(["up/data", "up/bulk", "up/event", "up/resp", "status", "down/ack"])


@given(leaf=leaves, payload=st.binary(max_size=200) | st.just(PACK) | st.just(b"{}"))
def test_no_bytes_raise_and_none_vanish(leaf, payload):
    result = sorted_from(topics.topic(UNIT, leaf), payload)
    kept = (result.samples, result.rejects, result.statuses, result.messages)
    assert any(kept) or (leaf == "status" and not payload)
