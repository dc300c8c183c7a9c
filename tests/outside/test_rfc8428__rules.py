"""RFC 8428 (August 2018), sections 4.1 to 4.5, and RFC 9100: what a reader must refuse or ignore."""

import cbor2
import pytest

from services.telemetry import Rejected
from services.telemetry.senml import decode

pytestmark = pytest.mark.outside


def _decode(*records):
    return decode(cbor2.dumps(list(records)))


def test_section_4_5_4_base_value_is_added_to_the_value():
    records = _decode({0: "a", -5: 20, 2: 1.5}, {0: "a", 2: -3}, {0: "b", 3: "text"})
    assert [record.value for record in records] == [21.5, 17.0, "text"]


def test_section_4_5_4_base_sum_is_added_to_the_sum_and_does_not_imply_one():
    records = _decode({0: "a", -6: 100, 5: 1}, {0: "a", 2: 7})
    assert [(record.value, record.total) for record in records] == [(None, 101.0), (7.0, None)]
    assert all(record.fault is None for record in records)


def test_section_4_2_a_record_has_exactly_one_value_unless_it_has_a_sum():
    records = _decode({0: "a"}, {0: "a", 2: 1, 4: True}, {0: "a", 5: 3})
    assert [record.fault for record in records] == ["no_value", "several_values", None]


def test_section_4_4_unknown_labels_are_ignored():
    (record,) = _decode({0: "a", 2: 1, "colour": "red", 99: 5})
    assert (record.value, record.fault) == (1.0, None)


def test_section_4_4_a_label_that_must_be_understood_refuses_the_pack():
    refused = _decode({0: "a", 2: 1}, {0: "a", 2: 1, "colour_": "red"})
    assert isinstance(refused, Rejected)
    assert refused.reason == "not_understood"


@pytest.mark.parametrize(
    ("version", "taken"), [(5, True), (10, True), (11, False), (25, False), (26, True), (42, False)]
)
def test_section_4_4_a_version_above_the_supported_one_refuses_the_pack(version, taken):
    """RFC 9100 reads versions as feature bits: 26 is 10 with secondary units; other bits are unknown."""
    assert isinstance(_decode({-1: version, 0: "a", 2: 1}), list) is taken


def test_section_4_4_all_records_of_a_pack_have_one_version():
    assert isinstance(_decode({-1: 10, 0: "a", 2: 1}, {-1: 10, 0: "a", 2: 1}), list)
    assert isinstance(_decode({-1: 10, 0: "a", 2: 1}, {-1: 5, 0: "a", 2: 1}), Rejected)
    assert isinstance(_decode({0: "a", 2: 1}, {-1: 26, 0: "a", 2: 1}), Rejected)


@pytest.mark.parametrize(
    ("name", "good"),
    [
        ("a", True),
        ("7a", True),
        ("urn:dev:ow:10e2073a01080063", True),
        ("a-b:c.d/e_f", True),
        ("-a", False),
        ("_a", False),
        ("/a", False),
        ("a b", False),
        ("é", False),
        ("", False),
        ("a\n", False),
    ],
)
def test_section_4_5_1_characters_of_names(name, good):
    (record,) = _decode({0: name, 2: 1})
    assert (record.fault is None) is good


def test_section_4_1_base_fields_hold_until_replaced():
    records = _decode(
        {-2: "a/", -4: "Cel", -3: 1_764_000_000, 0: "x", 2: 1},
        {0: "y", 2: 2},
        {-4: "V", 0: "z", 2: 3},
        {-2: "b/", -3: 1_764_000_060, 0: "x", 2: 4, 1: "A"},
    )
    assert [(r.name, r.t_s, r.unit) for r in records] == [
        ("a/x", 1_764_000_000.0, "Cel"),
        ("a/y", 1_764_000_000.0, "Cel"),
        ("a/z", 1_764_000_000.0, "V"),
        ("b/x", 1_764_000_060.0, "A"),
    ]
