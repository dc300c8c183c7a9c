import zlib

import cbor2
import orjson
import pytest

from services.telemetry import Sample
from services.telemetry._encoding import encode_pack

T0_MS = 1_764_000_000_000


def _samples(n, channels=("cabinet", "battery", "current"), **values):
    return [
        Sample(
            "v3-meat",
            3,
            1234 + k,
            T0_MS + 60_000 * k,
            2,
            {"compressor": k % 3 == 0, **dict.fromkeys(channels, 4.25 + k / 100), **values},
            86_400.0 + 60 * k,
        )
        for k in range(n)
    ]


def test_a_single_sample_has_names_and_units_in_place():
    assert orjson.loads(encode_pack(_samples(1), form="json")) == [
        {"bn": "v3-meat/", "bt": 1_764_000_000, "n": "sq", "v": 1234},
        {"n": "bid", "v": 3},
        {"n": "up", "v": 86_400},
        {"n": "tq", "v": 2},
        {"n": "compressor", "vb": True},
        {"n": "cabinet", "u": "Cel", "v": 4.25},
        {"n": "battery", "u": "V", "v": 4.25},
        {"n": "current", "u": "A", "v": 4.25},
    ]


def test_many_samples_are_grouped_with_what_has_no_unit_first():
    pack = orjson.loads(encode_pack(_samples(2, ("cabinet",), lid=True, supply="solar", odd=1), form="json"))
    assert [record.get("n") for record in pack[4:6]] == ["compressor", "compressor"]
    bases = [record["bn"] for record in pack[4:] if "bn" in record]
    assert bases == ["v3-meat/supply", "v3-meat/odd", "v3-meat/cabinet"]
    assert [record for record in pack if record.get("n") == "lid"] == [{"n": "lid", "vb": True}]
    assert next(record for record in pack if "bu" in record)["bn"] == "v3-meat/cabinet"


def test_numbers_travel_as_integers_or_decimal_fractions():
    pack = encode_pack(_samples(1))
    assert b"\xfb" not in pack
    assert cbor2.loads(pack)[1] == {0: "bid", 2: 3}
    assert bytes.fromhex("c482211901a9") in pack  # 425 times ten to the -2


def test_an_unset_clock_sends_no_base_time():
    pack = orjson.loads(encode_pack(_samples(2), form="json", now_ms=T0_MS + 60_000))
    assert all("bt" not in record for record in pack)
    assert [record.get("t", 0) for record in pack if record.get("n") == "compressor"] == [-60, 0]


def test_deflated_packs_are_smaller_and_say_the_same():
    plain = encode_pack(_samples(60))
    deflated = encode_pack(_samples(60), deflate=True)
    assert len(deflated) < len(plain) / 2
    assert zlib.decompress(deflated) == plain


def test_a_unit_that_cannot_sense_its_compressor_sends_ticks():
    sample = Sample("v3-meat", 3, 0, T0_MS, 2, {"cabinet": 4.0})
    pack = orjson.loads(encode_pack([sample], form="json"))
    assert pack[3] == {"n": "tick", "vb": True}
    assert all(record.get("n") not in {"up", "compressor"} for record in pack)


@pytest.mark.parametrize(
    "samples",
    [
        [],
        [_samples(1)[0], _samples(3)[2]],
        [_samples(1)[0], Sample("v3-meat", 4, 1235, T0_MS + 60_000, 2, {})],
        [_samples(1)[0], Sample("v3-fish", 3, 1235, T0_MS + 60_000, 2, {})],
        [_samples(1)[0], Sample("v3-meat", 3, 1235, T0_MS + 60_000, 0, {})],
        [_samples(1)[0], Sample("v3-meat", 3, 1235, T0_MS, 2, {})],
    ],
)
def test_what_is_not_one_pack_is_a_callers_bug(samples):
    with pytest.raises(ValueError, match="pack"):
        encode_pack(samples)


def test_a_boolean_that_stops_being_measured_ends_the_pack():
    first, second = _samples(2)
    gone = Sample("v3-meat", 3, 1234, T0_MS, 2, {**first.values, "lid": True}, 0.0)
    with pytest.raises(ValueError, match="lid stops being measured"):
        encode_pack([gone, second])
