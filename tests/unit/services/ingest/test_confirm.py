"""Confirmations: not too often, never forgotten, only what is held."""

import orjson
import pytest

from services.ingest.confirm import Confirmations, confirmation
from services.store import Skipped
from services.store.sqlite import SqliteStore
from services.telemetry import Sample, topics
from services.telemetry.messages import Ack

UNIT = "v3-meat"


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "telemetry.db")
    yield made
    made.close()


def put(store, *numbers):
    store.append([Sample(UNIT, 1, sq, sq, 2, {"cabinet": 1.0}) for sq in numbers], received_ms=1)


def test_a_second_mark_waits_its_turn_and_then_tells_the_newest(store):
    confirmations = Confirmations(store)
    put(store, 0)
    confirmations.owe(UNIT, [1])
    ((topic, payload),) = confirmations.due(1_000)
    assert topic == topics.topic(UNIT, "down/ack")
    assert orjson.loads(payload) == {"v": 1, "acks": [{"bid": 1, "sq": 0}], "skipped": []}
    put(store, 1)
    confirmations.owe(UNIT, [1])
    assert confirmations.due(1_199) == []
    put(store, 2)
    ((_, payload),) = confirmations.due(1_200)
    assert orjson.loads(payload)["acks"] == [{"bid": 1, "sq": 2}]
    assert confirmations.due(5_000) == [], "nothing new, nothing owed"


def test_a_clock_set_back_does_not_silence_a_unit(store):
    confirmations = Confirmations(store)
    put(store, 0)
    confirmations.owe(UNIT)
    assert confirmations.due(9_000_000)
    confirmations.owe(UNIT)
    assert confirmations.due(1_000)


def test_a_boot_without_its_first_sample_is_not_confirmed():
    assert orjson.loads(confirmation({1: -1, 2: 5}, [], set()))["acks"] == [{"bid": 2, "sq": 5}]


def test_a_unit_of_which_nothing_is_held_is_told_nothing(store):
    confirmations = Confirmations(store)
    put(store, 4)
    confirmations.owe(UNIT, [1])
    assert confirmations.due(1_000) == []


def test_old_boots_are_left_out_unless_they_were_just_heard_of():
    marks = dict.fromkeys(range(50), 10)
    named = [each["bid"] for each in orjson.loads(confirmation(marks, [], {3}))["acks"]]
    assert named == [3, *range(18, 50)]


def test_stretches_given_up_are_named_with_their_reason():
    payload = confirmation({1: 9}, [Skipped(1, 4, 6, "gone")], set())
    body = orjson.loads(payload)
    assert orjson.loads(Ack.model_validate_json(payload, strict=True).to_json()) == body, "as published"
    assert body["skipped"] == [{"bid": 1, "from": 4, "to": 6, "reason": "gone"}]
