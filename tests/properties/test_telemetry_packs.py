"""Packs: what goes out comes back, the short way equals the general one, and no bytes do harm."""

import gzip
import zlib
from dataclasses import replace
from unittest import mock

import cbor2
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from services.telemetry import CHANNELS, Rejected, Sample, packs, topics
from services.telemetry.messages import Ack, Command, CommandReply, Event, Status, parse_message
from services.telemetry.packs import MESSAGE_EXPIRY_S, decode_pack, encode_pack
from services.telemetry.senml import decode

UNIT = "v3-meat"
TOPIC = topics.topic(UNIT, "up/bulk")
RECEIVED_MS = 1_764_100_000_000

MILLI = st.integers(-(10**9), 10**9).map(lambda milli: milli / 1000)
NUMBERS = st.sampled_from([c.name for c in CHANNELS.values() if c.kind == "number"] + ["humidity", "door/2"])
BOOLEANS = ["lid", "alarm"]
TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=20)


@st.composite
def packs_of_samples(draw, *, most=6):
    n = draw(st.integers(1, most))
    steps_ms = draw(st.lists(st.integers(1, 10**7), min_size=n, max_size=n))
    always = draw(st.sets(st.sampled_from(BOOLEANS)))
    sq, bid, tq = draw(st.integers(0, 2**40)), draw(st.integers(0, 2**31)), draw(st.integers(0, 2))
    up_s = draw(st.none() | st.integers(0, 10**9).map(lambda milli: milli / 1000))
    t_ms = draw(st.integers(10**12, 2 * 10**12))
    found = []
    for k, step_ms in enumerate(steps_ms):
        t_ms += step_ms if k else 0
        values = draw(st.dictionaries(NUMBERS, MILLI, max_size=5))
        values |= {name: draw(st.booleans()) for name in always}
        values |= draw(
            st.fixed_dictionaries({}, optional={"supply": TEXTS, "fault": TEXTS, "compressor": st.booleans()})
        )
        up_k = None if up_s is None else up_s + (t_ms - (found[0].t_ms if found else t_ms)) / 1000
        found.append(Sample(UNIT, bid, sq + k, t_ms, tq, values, up_k))
    return found


def _decode(payload, **arguments):
    return decode_pack(TOPIC, payload, received_ms=RECEIVED_MS, **{"expiry_left_s": None, **arguments})


@given(samples=packs_of_samples(), form=st.sampled_from(["cbor", "json"]), deflate=st.booleans())
def test_what_a_unit_packs_comes_out_as_it_was(samples, form, deflate):
    pack = _decode(encode_pack(samples, form=form, deflate=deflate))
    assert pack.rejected == ()
    assert list(pack.samples) == samples
    assert (pack.undecodable, pack.relative) == (False, False)


@given(
    samples=packs_of_samples(),
    form=st.sampled_from(["cbor", "json"]),
    waited_s=st.integers(0, MESSAGE_EXPIRY_S),
    after_ms=st.integers(0, 10**8),
)
def test_times_of_an_unset_clock_survive_the_wait_in_a_queue(samples, form, waited_s, after_ms):
    sent_ms = samples[-1].t_ms + after_ms
    payload = encode_pack(samples, form=form, now_ms=sent_ms)
    pack = decode_pack(
        TOPIC, payload, received_ms=sent_ms + waited_s * 1000, expiry_left_s=MESSAGE_EXPIRY_S - waited_s
    )
    assert [s.t_ms for s in pack.samples] == [s.t_ms for s in samples]
    assert {s.tq for s in pack.samples} == {0}
    assert [dict(s.values) for s in pack.samples] == [dict(s.values) for s in samples]


SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(2**66), 2**66)
    | st.sampled_from(
        [0, 1, 2, -0.0, 4.25, 5e-324, float("nan"), float("inf"), 1e13, 2**53, 1_764_000_000, 2**28]
    )
    | st.sampled_from(["", "Cel", "V", "sq", "bid", "compressor", "cabinet", f"{UNIT}/", "x_"])
    | st.binary(max_size=4)
)
LABELS = st.sampled_from([-6, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, "x", "x_"])


ORDINARY = (
    {-2: f"{UNIT}/", -3: 1_764_000_000, 0: "sq", 2: 7},
    {0: "bid", 2: 3},
    {0: "up", 2: 50},
    {0: "tq", 2: 2},
    {0: "compressor", 4: True},
)


@st.composite
def nearly_ordinary(draw):
    """Return a live pack in CBOR with a few labels changed, added, dropped or moved."""
    pack = [
        *(dict(record) for record in ORDINARY),
        {0: "cabinet", 1: "Cel", 2: draw(MILLI)},
        {0: "battery", 1: "V", 2: draw(st.floats() | st.integers())},
    ]
    for _ in range(draw(st.integers(0, 2))):
        record = pack[draw(st.integers(0, len(pack) - 1))]
        change = draw(st.sampled_from(["label", "drop", "repeat", "time"]))
        if change == "label":
            record[draw(LABELS)] = draw(SCALARS)
        elif change == "drop" and record:
            record.pop(draw(st.sampled_from(sorted(record, key=str))))
        elif change == "repeat":
            pack.append({**record, draw(st.sampled_from([2, 4])): draw(SCALARS)})
        else:
            pack[0][-3] = draw(st.sampled_from([0, -5, 2**28 - 1, 2**28, 253_402_300_800, 1_764_000_000.5]))
    if draw(st.booleans()):
        pack = draw(st.permutations(pack))
    return list(pack)


def _exactly(pack):
    """Return a pack in words that tell 1 from True, whatever the order of its channels."""
    samples = [(repr(replace(s, values={})), sorted(map(repr, s.values.items()))) for s in pack.samples]
    return samples, pack.rejected, pack.undecodable, pack.relative


@settings(max_examples=400)
@given(pack=nearly_ordinary())
@example(pack=[{-2: f"{UNIT}/", -3: 1_764_000_000, 0: "compressor", 4: True}])
@example(pack=[*ORDINARY, {0: "sq", 2: 8}])
@example(pack=[*ORDINARY, {0: "compressor", 4: False}])
@example(pack=[*ORDINARY[:4], {0: "compressor", 4: True, 6: 5}])
@example(pack=[*ORDINARY[:4], {0: "compressor", 4: True, "x_": 5}])
@example(pack=[*ORDINARY, {0: "cabinet", 1: "Cel", 2: 4}, {0: "cabinet", 1: "Cel", 2: 5}])
@example(pack=[{**ORDINARY[0], -3: 5}, *ORDINARY[1:]])
@example(pack=list(ORDINARY[:4]))
@example(pack=[*ORDINARY[:3], {0: "tq", 2: 3}, ORDINARY[4]])
def test_the_short_way_says_what_the_general_way_says(pack):
    payload = cbor2.dumps(pack)
    short = _decode(payload)
    with mock.patch.object(packs, "only_sample", return_value=None):
        general = _decode(payload)
    assert _exactly(short) == _exactly(general)


def test_the_short_way_is_taken_by_an_ordinary_live_pack():
    sample = Sample(UNIT, 3, 7, 1_764_000_000_000, 2, {"compressor": True, "cabinet": 4.25}, 50.0)
    with mock.patch.object(packs, "flatten", side_effect=AssertionError("the general way")):
        assert _decode(encode_pack([sample])).samples == (sample,)


def _unharmed(payload, topic=TOPIC):
    pack = decode_pack(topic, payload, received_ms=RECEIVED_MS, expiry_left_s=None)
    assert pack == decode_pack(topic, payload, received_ms=RECEIVED_MS, expiry_left_s=None)
    assert pack.samples or pack.rejected
    assert not (pack.undecodable and pack.samples)
    assert (
        [s.sq for s in pack.samples] == list(range(pack.samples[0].sq, pack.samples[-1].sq + 1))
        if pack.samples
        else True
    )
    for sample in pack.samples:
        assert sample.unit == UNIT
        assert abs(sample.t_ms) < 2**53
        for value in sample.values.values():
            assert isinstance(value, bool | str) or (abs(value) < 1e13 and round(value, 3) == value)
    for rejected in pack.rejected:
        assert rejected.reason.replace("_", "").isalpha()
        assert rejected.detail
    return pack


@given(payload=st.binary(max_size=300))
def test_random_bytes_do_no_harm(payload):
    _unharmed(payload)
    for first in b"\x81\x8f[\x1f\x78":
        _unharmed(bytes([first]) + payload)


@given(topic=st.text(max_size=60), payload=st.binary(max_size=20))
def test_random_topics_do_no_harm(topic, payload):
    pack = decode_pack(topic, payload, received_ms=RECEIVED_MS, expiry_left_s=None)
    assert [r.reason for r in pack.rejected] == ["wrong_topic"]


@settings(max_examples=300)
@given(
    samples=packs_of_samples(most=3),
    form=st.sampled_from(["cbor", "json"]),
    squeeze=st.sampled_from([bytes, zlib.compress, gzip.compress]),
    changes=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=4),
    cut=st.integers(0, 20),
)
def test_good_packs_with_changed_bytes_do_no_harm(samples, form, squeeze, changes, cut):
    payload = bytearray(squeeze(encode_pack(samples, form=form)))
    for place, value in changes:
        payload[place % len(payload)] = value
    _unharmed(bytes(payload[: len(payload) - cut]))


ANY = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(LABELS, inner, max_size=4)
)


@settings(max_examples=300)
@given(pack=st.lists(st.dictionaries(LABELS, ANY, max_size=6) | ANY, max_size=8))
def test_packs_of_anything_do_no_harm(pack):
    head = [{-2: f"{UNIT}/", -3: 1_764_000_000, 0: "sq", 2: 7}, {0: "bid", 2: 3}, {0: "tick", 4: True}]
    _unharmed(cbor2.dumps(pack))
    _unharmed(cbor2.dumps(head + pack))


@pytest.mark.parametrize("squeeze", [zlib.compress, gzip.compress])
def test_bombs_are_refused(squeeze):
    for filling in (b" " * 2**24, b'{"n":"x","v":1},' * 2**20):
        pack = _unharmed(squeeze(b"[" + filling + b"]"))
        assert [r.reason for r in pack.rejected] == ["too_large"]


@given(payload=st.binary(max_size=200) | ANY.map(cbor2.dumps))
def test_decoding_depends_on_the_bytes_alone(payload):
    assert repr(decode(payload)) == repr(decode(payload))


@given(payload=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_messages_of_any_bytes_do_no_harm(payload):
    for model in (Status, Event, Command, CommandReply, Ack):
        for text in (payload, b'{"bid":1,"s":' + payload + b"}", b'{"name":"set","args":' + payload + b"}"):
            assert isinstance(parse_message(model, text), model | Rejected)
