"""Names of the MQTT topics that units and service meet on, version 1."""

import re
import zlib
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

ROOT = "cold/v1"
LAMPS = f"{ROOT}/lamp"
PARTS = 16
"""Topics are dealt out over this many parts, so that work can be shared by part."""

LEAVES = (
    "up/data",
    "up/bulk",
    "up/event",
    "up/resp",
    "status",
    "down/cmd",
    "down/ack",
)
PACK_LEAVES = ("up/data", "up/bulk")
UNIT_ID = re.compile(r"[a-z0-9-]{3,32}")
"""What a unit id may look like; it is used whole."""

_PARTS_OF_TOPIC = re.compile(rf"{ROOT}/([0-9]{{2}})/({UNIT_ID.pattern})/({'|'.join(LEAVES)})")


class Topic(NamedTuple):
    """A topic taken apart; `part` is as sent, not checked against the unit."""

    part: str
    unit: str
    leaf: str


@lru_cache(maxsize=4096)
def part_of(unit: str) -> str:
    """Return the part of a unit: CRC-32 (IEEE) of its ASCII id, modulo 16, as two decimal digits.

    Raises
    ------
    ValueError
        If `unit` is not a unit id.
    """
    if UNIT_ID.fullmatch(unit) is None:
        raise ValueError(f"{unit!r} is not a unit id (3 to 32 of a-z 0-9 -)")
    return f"{zlib.crc32(unit.encode('ascii')) % PARTS:02d}"


def topic(unit: str, leaf: str) -> str:
    """Return the topic of a unit for one of `LEAVES`.

    Raises
    ------
    ValueError
        If the unit id or the leaf is not one of ours.
    """
    if leaf not in LEAVES:
        raise ValueError(f"{leaf!r} is not one of {', '.join(LEAVES)}")
    return f"{ROOT}/{part_of(unit)}/{unit}/{leaf}"


@lru_cache(maxsize=4096)
def parse(text: str) -> Topic | None:
    """Return a topic taken apart, None when it is not one of ours."""
    found = _PARTS_OF_TOPIC.fullmatch(text)
    return None if found is None else Topic(*found.groups())


def lamp_topic(name: str) -> str:
    """Return the topic that tells a lamp or siren in camp what to show.

    Raises
    ------
    ValueError
        If `name` is not the name of a lamp.
    """
    if UNIT_ID.fullmatch(name) is None:
        raise ValueError(f"{name!r} is not the name of a lamp (3 to 32 of a-z 0-9 -)")
    return f"{LAMPS}/{name}/show"


def service_filters(parts: Iterable[str] | None = None) -> tuple[str, ...]:
    """Return the subscriptions of the service, for all parts or for the given ones."""
    chosen = ("+",) if parts is None else tuple(parts)
    return tuple(f"{ROOT}/{part}/+/{tail}" for part in chosen for tail in ("up/#", "status"))
