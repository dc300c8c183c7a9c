import gzip
import math
import zlib

import cbor2
import orjson
import pytest

from services.telemetry import Rejected
from services.telemetry._wire import MAX_BYTES, MAX_INFLATED_BYTES, encode_cbor, encode_json, maps_of

PACK = [{0: "a", 2: 4.25, 8: b"\xff\xfe"}]


@pytest.mark.parametrize("encode", [encode_cbor, encode_json])
@pytest.mark.parametrize("squeeze", [lambda b: b, zlib.compress, gzip.compress])
def test_every_form_is_told_by_its_first_byte(encode, squeeze):
    assert maps_of(squeeze(encode(PACK))) == PACK


def test_json_may_begin_with_white_space():
    assert maps_of(b"\r\n\t " + encode_json(PACK)) == PACK


def _reason(payload):
    answer = maps_of(payload)
    assert isinstance(answer, Rejected), answer
    return answer.reason


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\x9f\xff",  # an array of unknown length
        b"\xa0",
        b"{}",
        b" {}",
        b"\x78\x9c\xff\xff\xff",
        b'[{"n":"a","v":NaN}]',
        b'[{"n":"a","v":1e999}]',
        b"[" * 5_000,
        b"\x81" * 5_000,
        b"\x9b\x00\x00\x00\x7f\xff\xff\xff\xff",
        b"\x80\x00",  # something follows the array
        b"[] []",
        zlib.compress(b"[]")[:-1],
        zlib.compress(b"[]") + b"x",
        zlib.compress(zlib.compress(b"[]")),
        cbor2.dumps([cbor2.CBORTag(35, "(a+)+$")]),
        cbor2.dumps([cbor2.CBORTag(5, [10**6, 1])]),
        cbor2.dumps([2**80]),
        bytes.fromhex("81d81c81d81d00"),  # an array that holds itself
        cbor2.dumps([{0: "a", 2: cbor2.CBORTag(4, ["x", 1])}]),
    ],
)
def test_bytes_that_are_no_pack_are_undecodable(payload):
    assert _reason(payload) == "undecodable"


def test_a_payload_over_the_limit_is_not_even_looked_at():
    assert _reason(b"[" + b" " * MAX_BYTES) == "too_large"


@pytest.mark.parametrize("squeeze", [zlib.compress, gzip.compress])
def test_a_bomb_is_refused_without_being_inflated(squeeze):
    bomb = squeeze(b"[" + b" " * (64 * MAX_INFLATED_BYTES) + b"]")
    assert len(bomb) < MAX_BYTES
    assert _reason(bomb) == "too_large"


@pytest.mark.parametrize(
    ("parts", "value"),
    [([400, 1], math.inf), ([10**9, 1], math.inf), ([-(10**9), 1], 0.0), ([10**9, 0], 0.0)],
)
def test_decimal_fractions_beyond_a_double_stay_cheap(parts, value):
    assert maps_of(cbor2.dumps([{2: cbor2.CBORTag(4, parts)}])) == [{2: value}]


def test_data_values_travel_in_base64url_without_padding():
    assert orjson.loads(encode_json(PACK)) == [{"n": "a", "v": 4.25, "vd": "__4"}]


@pytest.mark.parametrize("text", ["*", "a", 7, None])
def test_a_data_value_that_is_no_base64_is_none(text):
    assert maps_of(orjson.dumps([{"n": "a", "vd": text}])) == [{0: "a", 8: None}]
