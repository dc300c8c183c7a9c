import math

import cbor2
import pytest

from services.telemetry import Rejected
from services.telemetry.senml import MAX_RECORDS, decode, flatten, resolve


def test_a_bad_record_leaves_its_neighbours_alone():
    records = flatten([{0: "a", 2: 1}, {0: "b", 2: "1"}, {0: "c", 2: 3}])
    assert [(r.value, r.fault) for r in records] == [(1.0, None), (None, "not_a_number"), (3.0, None)]


@pytest.mark.parametrize(
    ("fields", "fault"),
    [
        ({0: "a", 2: math.nan}, "not_a_number"),
        ({0: "a", 2: math.inf}, "not_a_number"),
        ({0: "a", 2: True}, "not_a_number"),
        ({0: "a", 2: 10**400}, "not_a_number"),
        ({0: "a", 2: [1]}, "not_a_number"),
        ({0: "a", 3: 1}, "wrong_type"),
        ({0: "a", 4: 1}, "wrong_type"),
        ({0: "a", 8: "text"}, "wrong_type"),
        ({0: 5, 2: 1}, "bad_name"),
        ({2: 1}, "bad_name"),
        ({0: "a", 2: 1, 6: "now"}, "bad_time"),
        ({0: "a", 2: 1, 6: math.nan}, "bad_time"),
        ({0: "a", 2: 1, 6: 1e15}, "bad_time"),
        ({0: "a", 2: 1, 6: -1e12}, "bad_time"),
        ({0: "a", 2: 1, 1: 5}, "bad_unit"),
        ({0: "a", 5: "x"}, "not_a_number"),
    ],
)
def test_faults_of_single_records(fields, fault):
    (record,) = flatten([fields])
    assert (record.fault, record.value) == (fault, None)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({-2: 5, 0: "a", 2: 1}, "bad_base"),
        ({-4: 5, 0: "a", 2: 1}, "bad_base"),
        ({-3: "now", 0: "a", 2: 1}, "bad_base"),
        ({-3: 1e18, 0: "a", 2: 1}, "bad_base"),
        ({-5: math.nan, 0: "a", 2: 1}, "bad_base"),
        ({-6: [], 0: "a", 2: 1}, "bad_base"),
        ({-1: "10", 0: "a", 2: 1}, "unsupported_version"),
        ({-1: True, 0: "a", 2: 1}, "unsupported_version"),
        ({-1: 5, 0: "a", 2: 1}, "mixed_versions"),
        ({"x_": 1, 0: "a", 2: 1}, "not_understood"),
        ("text", "not_a_record"),
    ],
)
def test_what_spoils_every_later_record_rejects_the_pack(fields, reason):
    refused = flatten([{0: "a", 2: 1}, fields] if reason != "unsupported_version" else [fields])
    assert isinstance(refused, Rejected)
    assert refused.reason == reason


def test_more_records_than_anybody_needs_are_refused():
    assert flatten([{0: "a", 2: 1}] * (MAX_RECORDS + 1)).reason == "too_many_records"
    assert len(flatten([{0: "a", 2: 1}] * MAX_RECORDS)) == MAX_RECORDS


def test_shapes_are_judged_once_and_alike():
    fields = {0: "shape", 2: 1, 6: 5}
    assert flatten([fields]) == flatten([fields])


def test_resolving_orders_by_time_and_leaves_faulty_records_out():
    records = flatten([{0: "late", 2: 1, 6: 5}, {0: "bad", 2: "x"}, {0: "early", 2: 2, 6: -5}])
    assert [(r.name, r.t_s) for r in resolve(records, now_s=2e9)] == [("early", 2e9 - 5), ("late", 2e9 + 5)]


def test_the_same_bytes_always_give_the_same_records():
    payload = cbor2.dumps([{-2: "a/", -3: 1_764_000_000, 0: "b", 2: 1}])
    assert decode(payload) == decode(payload)


def test_what_is_no_array_is_undecodable():
    assert decode(b"{}").reason == "undecodable"


def test_a_secondary_unit_that_carries_no_number_keeps_what_it_has():
    (record,) = flatten([{-1: 26, 0: "a", 1: "mV", 3: "text"}])
    assert (record.unit, record.value) == ("V", "text")
