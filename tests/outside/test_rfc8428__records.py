"""RFC 8428, Sensor Measurement Lists, August 2018: the numeric content of its own examples.

Each test names the section whose example it is. The numbers are those of the RFC; the layout of the
JSON is ours. Tolerance: times and values are compared exactly, because each is one addition of two
numbers whose nearest doubles the RFC prints.
"""

import json
from decimal import Decimal

import cbor2
import pytest

from services.telemetry._wire import BN, BT, BU, BVER, LABELS, N, T, U, V
from services.telemetry.senml import decode, encode_cbor, encode_json, resolve

pytestmark = pytest.mark.outside

ADDRESS = "urn:dev:ow:10e2073a01080063"
SHORT_ADDRESS = "urn:dev:ow:10e2073a0108006:"
NOW_S = 1_800_000_000.0


def _decoded(pack):
    """Decode a pack as JSON and as CBOR; both must say the same."""
    from_json = decode(json.dumps(pack).encode())
    numbered = [{LABELS[label]: value for label, value in record.items()} for record in pack]
    for record in numbered:
        if LABELS["vd"] in record:
            record[LABELS["vd"]] = b"hi \n"
    assert decode(cbor2.dumps(numbered)) == from_json
    assert decode(encode_cbor(numbered)) == decode(encode_json(numbered)) == from_json
    return from_json


def _rows(pack):
    return [(r.name, r.t_s, r.unit, r.value) for r in resolve(_decoded(pack), now_s=NOW_S)]


def test_section_2_one_name_twice_and_one_base_name_say_the_same():
    twice = [
        {"n": ADDRESS, "t": 1276020076, "v": 23.5, "u": "Cel"},
        {"n": ADDRESS, "t": 1276020091, "v": 23.6, "u": "Cel"},
    ]
    once = [
        {"bn": ADDRESS, "bt": 1276020076, "bu": "Cel", "v": 23.5},
        {"v": 23.6, "t": 15},
    ]
    assert _rows(twice) == _rows(once)
    assert _rows(once) == [(ADDRESS, 1276020076.0, "Cel", 23.5), (ADDRESS, 1276020091.0, "Cel", 23.6)]


def test_section_5_1_1_a_single_point_without_a_time_is_of_now():
    assert _rows([{"n": ADDRESS, "u": "Cel", "v": 23.1}]) == [(ADDRESS, NOW_S, "Cel", 23.1)]


def test_section_5_1_2_first_multiple_points():
    pack = [
        {"bn": ADDRESS + ":", "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "u": "A", "v": 1.2},
    ]
    assert _rows(pack) == [
        (ADDRESS + ":voltage", NOW_S, "V", 120.1),
        (ADDRESS + ":current", NOW_S, "A", 1.2),
    ]


def _section_5_1_2_second():
    first = {BN: SHORT_ADDRESS, BT: 1276020076.001, BU: "A", BVER: 5, N: "voltage", U: "V", V: 120.1}
    currents = (1.2, 1.3, 1.4, 1.5, 1.6, 1.7)
    return [first, *({N: "current", T: t, V: v} for t, v in zip(range(-5, 1), currents, strict=True))]


def test_section_5_1_2_second_base_time_with_points_before_it():
    records = decode(encode_cbor(_section_5_1_2_second()))
    rows = [(r.name.removeprefix(SHORT_ADDRESS), r.t_s, r.unit, r.value) for r in records]
    assert rows[0] == ("voltage", 1276020076.001, "V", 120.1)
    assert rows[1:] == [
        ("current", 1276020071.001, "A", 1.2),
        ("current", 1276020072.001, "A", 1.3),
        ("current", 1276020073.001, "A", 1.4),
        ("current", 1276020074.001, "A", 1.5),
        ("current", 1276020075.001, "A", 1.6),
        ("current", 1276020076.001, "A", 1.7),
    ]


def test_section_6_the_cbor_form_is_195_bytes_and_begins_as_printed():
    encoded = encode_cbor(_section_5_1_2_second())
    assert len(encoded) == 195
    assert encoded[:5] == bytes.fromhex("87a721781b")
    assert bytes.fromhex("f93e00") in encoded  # 1.5 A as a half float
    assert encoded.count(b"\xfb") >= 7  # the base time, 120.1 V and five currents stay doubles
    assert encoded[-22:-12] == b"\xa3\x00gcurrent"
    assert encoded[-12:-10] == bytes([0x06, 0x00])  # the last record says t = 0


def test_section_5_1_2_third_a_stream_of_points():
    values = [21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7, 21.5]
    pack = [{"bn": ADDRESS, "bt": 1320067464, "bu": "%RH", "v": 21.2}]
    pack += [{"t": 10 * k, "v": v} for k, v in enumerate(values, 1)]
    pack += [{"t": 91, "v": 21.5}, {"t": 92, "v": 21.5}]
    rows = _rows(pack)
    assert [t for _, t, _, _ in rows] == [1320067464.0 + t for t in (*range(0, 100, 10), 91, 92)]
    assert [v for *_, v in rows] == [21.2, *values, 21.5, 21.5]
    assert {u for _, _, u, _ in rows} == {"%RH"}


def test_section_5_1_3_resolves_to_section_5_1_4():
    pack = [
        {"bn": ADDRESS, "bt": 1320067464, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "lon", "t": 60, "v": 24.30622},
        {"u": "lat", "t": 60, "v": 60.07965},
        {"t": 120, "v": 20.7},
        {"u": "lon", "t": 120, "v": 24.30623},
        {"u": "lat", "t": 120, "v": 60.07966},
        {"u": "%EL", "t": 150, "v": 98},
        {"t": 180, "v": 21.2},
        {"u": "lon", "t": 180, "v": 24.30628},
        {"u": "lat", "t": 180, "v": 60.07967},
    ]
    published = [
        (1320067464, "%RH", 20),
        (1320067464, "lon", 24.30621),
        (1320067464, "lat", 60.07965),
        (1320067524, "%RH", 20.3),
        (1320067524, "lon", 24.30622),
        (1320067524, "lat", 60.07965),
        (1320067584, "%RH", 20.7),
        (1320067584, "lon", 24.30623),
        (1320067584, "lat", 60.07966),
        (1320067614, "%EL", 98),
        (1320067644, "%RH", 21.2),
        (1320067644, "lon", 24.30628),
        (1320067644, "lat", 60.07967),
    ]
    assert _rows(pack) == [(ADDRESS, t, u, v) for t, u, v in published]


def test_section_5_1_5_values_of_every_kind():
    pack = [
        {"bn": ADDRESS + ":", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfv-reader", "vd": "aGkgCg"},
    ]
    values = {name.removeprefix(ADDRESS + ":"): value for name, _, _, value in _rows(pack)}
    assert values == {"temp": 23.1, "label": "Machine Room", "open": False, "nfv-reader": b"hi \n"}
    assert values["open"] is False


def test_section_5_1_6_a_new_base_name_keeps_the_base_time():
    pack = [
        {"bn": "2001:db8::2/", "bt": 1320078429, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    assert _rows(pack) == [
        ("2001:db8::2/temperature", 1320078429.0, "Cel", 25.2),
        ("2001:db8::2/humidity", 1320078429.0, "%RH", 30.0),
        ("2001:db8::1/temperature", 1320078429.0, "Cel", 12.3),
        ("2001:db8::1/humidity", 1320078429.0, "%RH", 67.0),
    ]


def test_section_5_1_7_set_points_of_a_heater_and_a_fan():
    pack = [
        {"bn": ADDRESS + ":", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "heat", "u": "/", "v": 1},
        {"n": "fan", "u": "/", "v": 0},
    ]
    assert [(u, v) for _, _, u, v in _rows(pack)] == [("Cel", 23.1), ("/", 1.0), ("/", 0.0)]


def test_section_5_1_7_two_lamps_fade_a_tenth_of_a_second_later():
    pack = [
        {"bt": 1320078429, "bu": "/", "n": "2001:db8::3", "v": 0.5},
        {"n": "2001:db8::4", "v": 0.5},
        {"n": "2001:db8::3", "t": 0.1, "v": 0},
        {"n": "2001:db8::4", "t": 0.1, "v": 0},
    ]
    assert [(t, v) for _, t, _, v in _rows(pack)] == [
        (1320078429.0, 0.5),
        (1320078429.0, 0.5),
        (1320078429.1, 0.0),
        (1320078429.1, 0.0),
    ]


@pytest.mark.parametrize(
    ("label", "number"),
    [
        *(("bver", -1), ("bn", -2), ("bt", -3), ("bu", -4), ("bv", -5), ("bs", -6)),
        *(("n", 0), ("u", 1), ("v", 2), ("vs", 3), ("vb", 4), ("s", 5), ("t", 6), ("ut", 7), ("vd", 8)),
    ],
)
def test_section_6_table_4_labels(label, number):
    assert LABELS[label] == number


@pytest.mark.parametrize(("t_s", "relative"), [(2**28 - 1, True), (2**28, False), (-(2**27), True)])
def test_section_4_5_3_times_from_2_to_the_28th_are_absolute(t_s, relative):
    (record,) = resolve(decode(cbor2.dumps([{0: "a", 6: t_s, 2: 1}])), now_s=NOW_S)
    assert record.t_s == (NOW_S + t_s if relative else t_s)


def test_section_6_decimal_fractions_mean_the_number_they_write():
    for text in (
        "4.25",
        "-18.1",
        "0.001",
        "1E+3",
        "12345678901234567.89",
        "1E-30",
        "-1.7976931348623157E+308",
    ):
        (record,) = decode(cbor2.dumps([{0: "a", 2: Decimal(text)}]))
        assert record.value == float(text)
