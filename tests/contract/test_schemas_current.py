"""The published schemas are those the models make, and they judge as the models do."""

import json

import jsonschema
import orjson
import pytest
from referencing import Registry
from referencing.jsonschema import DRAFT202012

from services.telemetry import CHANNELS, Rejected, Sample, topics
from services.telemetry.messages import Ack, Command, CommandReply, Event, Status, parse_message
from services.telemetry.packs import encode_pack
from services.telemetry.publish import asyncapi, schemas, texts
from tests.helpers.write_schemas import FOLDER

MODELS = {"status": Status, "event": Event, "command": Command, "command_reply": CommandReply, "ack": Ack}
GOOD = [
    ("status", {"s": "on", "bid": 3, "fw": "1.4.2", "cap": ["bulk"], "next": 60}),
    ("status", {"s": "lost", "bid": 3}),
    ("status", {"s": "on", "bid": 3, "something_newer": [1]}),
    ("event", {"kind": "boot", "bid": 4, "up": 0.5}),
    ("command", {"name": "backfill", "args": {"bid": 3, "from": 7, "to": 9}}),
    ("command", {"name": "reboot"}),
    ("command_reply", {"name": "backfill", "result": "gone", "gone": [{"bid": 3, "from": 7, "to": 9}]}),
    ("ack", {"v": 1, "acks": [{"bid": 3, "sq": 1234}], "skipped": []}),
    (
        "ack",
        {"v": 1, "acks": [], "skipped": [{"bid": 3, "from": 7, "to": 9, "reason": "three times unreadable"}]},
    ),
]
BAD = [
    ("status", {"s": "asleep", "bid": 3}),
    ("status", {"s": "on", "bid": -1}),
    ("status", {"s": "on", "bid": "3"}),
    ("status", {"s": "on"}),
    ("event", {"kind": "Boot!", "bid": 4}),
    ("command", {"name": "set_point", "args": {}}),
    ("command", {"name": "set", "args": {"interval_s": 60, "set_point_c": 3}}),
    ("command_reply", {"name": "set", "result": "maybe"}),
    ("ack", {"v": 2, "acks": [], "skipped": []}),
    ("ack", {"v": 1, "acks": [{"bid": 3}]}),
]


def _judge(name):
    return jsonschema.Draft202012Validator(schemas()[name])


def test_every_published_file_is_what_the_models_make():
    published = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.iterdir()}
    assert published == texts(), "run: python -m tests.helpers.write_schemas"


@pytest.mark.parametrize(("name", "message"), GOOD)
def test_good_messages_pass_model_and_schema(name, message):
    assert _judge(name).is_valid(message)
    assert not isinstance(parse_message(MODELS[name], orjson.dumps(message)), Rejected)


@pytest.mark.parametrize(("name", "message"), BAD)
def test_bad_messages_fail_model_and_schema(name, message):
    assert not _judge(name).is_valid(message)
    assert isinstance(parse_message(MODELS[name], orjson.dumps(message)), Rejected)


def test_an_encoded_pack_fits_the_published_pack_schema():
    samples = [
        Sample(
            "v3-meat",
            3,
            k,
            1_764_000_000_000 + 60_000 * k,
            2,
            {"compressor": True, "cabinet": 4.25},
            60.0 * k,
        )
        for k in range(3)
    ]
    assert _judge("pack").is_valid(orjson.loads(encode_pack(samples, form="json")))
    assert not _judge("pack").is_valid(
        [{"bn": "v3-meat/", "n": "sq", "v": 1}] * 3 + [{"n": "x", "v": 1, "vb": True}]
    )
    assert not _judge("pack").is_valid([{"n": "sq", "v": 1, "must_": 1}] * 3)


def test_the_description_names_every_topic_and_every_channel():
    description = asyncapi()
    addresses = {channel["address"] for channel in description["channels"].values()}
    assert addresses == {f"cold/v1/{{part}}/{{unit}}/{leaf}" for leaf in topics.LEAVES}
    listed = {
        row["name"]: row.get("unit") for row in description["components"]["schemas"]["pack"]["x-channels"]
    }
    assert listed == {channel.name: channel.unit for channel in CHANNELS.values()}


def test_every_reference_of_the_description_leads_somewhere():
    description = asyncapi()
    resource = DRAFT202012.create_resource(description)
    resolver = Registry().with_resource("", resource).resolver("")

    def references(node):
        if isinstance(node, dict):
            if isinstance(node.get("$ref"), str):
                yield node["$ref"]
            for value in node.values():
                yield from references(value)
        elif isinstance(node, list):
            for value in node:
                yield from references(value)

    found = set(references(description))
    assert len(found) > 20
    for reference in found:
        assert resolver.lookup(reference).contents is not None


def test_schemas_are_themselves_well_formed():
    for name, schema in schemas().items():
        jsonschema.Draft202012Validator.check_schema(schema)
        assert json.loads(texts()[f"{name}.json"]) == schema
