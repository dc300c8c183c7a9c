"""The contract as documents for those who build units: JSON Schemas and one AsyncAPI description."""

import json
from typing import Any, Final

from services.telemetry import topics
from services.telemetry._channels import CHANNELS, Channel
from services.telemetry._rules import HIGHEST_COUNT, LONGEST_TEXT, MESSAGE_EXPIRY_S
from services.telemetry._wire import LABELS, MAX_BYTES
from services.telemetry.messages import Ack, Command, CommandReply, Event, Message, Status

VERSION = "1.0.0"
DIALECT = "https://json-schema.org/draft/2020-12/schema"

_Schema = dict[str, Any]

_MODELS: Final[dict[str, type[Message]]] = {
    "status": Status,
    "event": Event,
    "command": Command,
    "command_reply": CommandReply,
    "ack": Ack,
}

_LABEL_TYPES: Final[_Schema] = {
    "bver": {"type": "integer"},
    "bn": {"type": "string", "description": "unit id and a slash, or unit id, slash and channel"},
    "bt": {
        "type": "number",
        "description": "Unix time of the first sample; left out while the clock is not set",
    },
    "bu": {"type": "string"},
    "bv": {"type": "number"},
    "bs": {"type": "number"},
    "n": {"type": "string"},
    "u": {"type": "string"},
    "v": {"type": "number"},
    "vs": {"type": "string", "maxLength": LONGEST_TEXT},
    "vb": {"type": "boolean"},
    "s": {"type": "number"},
    "t": {"type": "number", "description": "added to bt; below 2^28 the sum is relative to now"},
    "ut": {"type": "number"},
    "vd": {"type": "string", "description": "base64url without padding"},
}

_WAYS: Final[tuple[tuple[str, str, str, str], ...]] = (
    ("up/data", "receive", "pack", "A live pack, as soon as it is measured. QoS 1."),
    ("up/bulk", "receive", "pack", "Backlog, oldest first, at most 60 samples and 16 KiB a pack. QoS 1."),
    ("up/event", "receive", "event", "Boot, cut-out, clock step, a sensor that failed. QoS 1."),
    ("up/resp", "receive", "command_reply", "The answer to a command, with its Correlation Data. QoS 1."),
    ("status", "receive", "status", "Retained; also the last will (Will Delay 120 s). QoS 1."),
    ("down/cmd", "send", "command", "A command, with Response Topic, Correlation Data and expiry. QoS 1."),
    ("down/ack", "send", "ack", "Retained: what the unit may forget. QoS 1."),
)
"""Leaf, what the service does there, message, and words."""


def _channel_row(channel: Channel) -> _Schema:
    row: _Schema = {
        "name": channel.name,
        "value": {"number": "v", "boolean": "vb", "text": "vs"}[channel.kind],
    }
    return row if channel.unit is None else {**row, "unit": channel.unit}


def pack_schema() -> _Schema:
    """Return the schema of a pack in its JSON form; CBOR is the same under the labels of `x-cbor-labels`."""
    return {
        "title": "Pack",
        "description": (
            "Consecutive samples of one unit and boot as a SenML pack (RFC 8428). The records sq, bid, up, "
            "tq say which samples; the strictly increasing times of the compressor records (tick, where the "
            "compressor cannot be sensed) enumerate them; other records join their sample by time."
        ),
        "type": "array",
        "minItems": 3,
        "items": {
            "type": "object",
            "properties": _LABEL_TYPES,
            "patternProperties": {"_$": False},
            "oneOf": [{"required": [label]} for label in ("v", "vs", "vb", "vd")],
        },
        "x-header": {
            "sq": f"number of the first sample within its boot, 0 to {HIGHEST_COUNT}",
            "bid": "boot counter",
            "up": "uptime at the first sample [s]",
            "tq": "clock: 0 unset, 1 holdover, 2 synchronised",
        },
        "x-channels": [_channel_row(channel) for channel in CHANNELS.values()],
        "x-cbor-labels": LABELS,
        "x-max-bytes": MAX_BYTES,
        "x-message-expiry-s": MESSAGE_EXPIRY_S,
    }


def schemas() -> dict[str, _Schema]:
    """Return every message's schema by its name."""
    found = {"pack": pack_schema()}
    for name, model in _MODELS.items():
        found[name] = model.model_json_schema(by_alias=True)
    return {name: {"$schema": DIALECT, **schema} for name, schema in found.items()}


def _inlined(name: str, schema: _Schema) -> _Schema:
    """Return a schema with its own definitions where AsyncAPI looks for them."""
    text = json.dumps({key: value for key, value in schema.items() if key != "$schema"})
    moved: _Schema = json.loads(text.replace("#/$defs/", f"#/components/schemas/{name}/$defs/"))
    return moved


def _message(name: str) -> _Schema:
    kind = "application/senml+cbor" if name == "pack" else "application/json"
    message: _Schema = {
        "name": name,
        "contentType": kind,
        "payload": {"$ref": f"#/components/schemas/{name}"},
    }
    if name == "pack":
        message["description"] = (
            "CBOR preferred; application/senml+json is taken too, either also under zlib or gzip. "
            "Told apart by the first byte."
        )
    return message


def _key(leaf: str) -> str:
    return leaf.replace("/", "_")


def asyncapi() -> _Schema:
    """Return the AsyncAPI 3.0.0 description of all topics, as the service sees them."""
    found = schemas()
    parameters = {
        "part": {"description": "CRC-32 (IEEE) of the unit id, modulo 16, two decimal digits; 00 to 15"},
        "unit": {"description": "unit id, 3 to 32 of a-z 0-9 -"},
    }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Bushlarder units",
            "version": VERSION,
            "description": "What cold cabinets and the service say to each other over MQTT 5.",
        },
        "defaultContentType": "application/json",
        "channels": {
            _key(leaf): {
                "address": f"{topics.ROOT}/{{part}}/{{unit}}/{leaf}",
                "description": words,
                "parameters": parameters,
                "messages": {name: {"$ref": f"#/components/messages/{name}"}},
            }
            for leaf, _, name, words in _WAYS
        },
        "operations": {
            f"{action}_{_key(leaf)}": {
                "action": action,
                "channel": {"$ref": f"#/channels/{_key(leaf)}"},
                "messages": [{"$ref": f"#/channels/{_key(leaf)}/messages/{name}"}],
                "bindings": {"mqtt": {"qos": 1, "retain": leaf in {"status", "down/ack"}}},
            }
            for leaf, action, name, _ in _WAYS
        },
        "components": {
            "messages": {name: _message(name) for name in found},
            "schemas": {name: _inlined(name, schema) for name, schema in found.items()},
        },
    }


def texts() -> dict[str, str]:
    """Return each published file's text by its name."""
    documents = {f"{name}.json": schema for name, schema in schemas().items()}
    documents["asyncapi.json"] = asyncapi()
    return {
        name: json.dumps(document, indent=2, ensure_ascii=False) + "\n"
        for name, document in documents.items()
    }
