"""Packs of samples as units send them: topic and bytes to samples and rejects, and back."""

from dataclasses import dataclass, replace
from typing import TypeVar

from services.telemetry import topics
from services.telemetry._encoding import encode_pack
from services.telemetry._quick import only_sample
from services.telemetry._rules import MESSAGE_EXPIRY_S, PackError
from services.telemetry._samples import Rejected, Sample
from services.telemetry._sheet import Sheet
from services.telemetry._wire import maps_of
from services.telemetry.senml import flatten

__all__ = ["MESSAGE_EXPIRY_S", "Pack", "decode_pack", "encode_pack"]

_Entry = TypeVar("_Entry")


@dataclass(frozen=True, slots=True)
class Pack:
    """What came out of one message."""

    samples: tuple[Sample, ...]
    """In order of `sq`, without a hole; a sample that lost all its channels is still there."""
    rejected: tuple[Rejected, ...] = ()
    undecodable: bool = False
    """True when it cannot even be told which samples were in it."""
    relative: bool = False
    """True when times were counted back from the moment of receipt."""


def decode_pack(topic: str, payload: bytes, *, received_ms: int, expiry_left_s: int | None) -> Pack:
    """Return the samples of one message and what could not be taken; never raises on what a unit sent.

    Sample k of the pack is the k-th ``compressor`` (or ``tick``) record; other records join it by time.
    Booleans are carried forward within the pack; a rejected one stops being carried. Wrong records are
    rejected one by one. Times relative to now are counted from the moment of sending, which is
    `received_ms` less the time the message waited, told by what is left of its expiry; their clock
    quality is 0 whatever the unit says.

    Parameters
    ----------
    topic : str
        Where the message came in; it must agree with the names in the pack.
    payload : bytes
        JSON or CBOR, plain or compressed.
    received_ms : int
        When the message arrived here. [ms since 1970-01-01 UTC]
    expiry_left_s : int or None
        Remaining Message Expiry, None when the message had none. [s]
    """
    where = topics.parse(topic)
    unit = None if where is None else where.unit
    try:
        return _read(_checked_place(where), payload, received_ms=received_ms, expiry_left_s=expiry_left_s)
    except PackError as fault:
        return Pack((), (replace(fault.rejected, unit=unit),), undecodable=fault.undecodable)


def _checked_place(where: topics.Topic | None) -> str:
    if where is None or where.leaf not in topics.PACK_LEAVES:
        raise PackError("wrong_topic", "packs do not travel on this topic", undecodable=False)
    if where.part != topics.part_of(where.unit):
        raise PackError(
            "identity_mismatch", f"part {where.part} is not the part of this unit", undecodable=False
        )
    return where.unit


def _read(unit: str, payload: bytes, *, received_ms: int, expiry_left_s: int | None) -> Pack:
    entries = _or_raise(maps_of(payload))
    sample = only_sample(unit, entries)
    if sample is not None:
        return Pack((sample,))
    waited_s = 0 if expiry_left_s is None else max(0, MESSAGE_EXPIRY_S - expiry_left_s)
    sheet = Sheet(unit, received_ms - waited_s * 1000)
    for record in _or_raise(flatten(entries)):
        sheet.take(record)
    samples, rejected = sheet.finish()
    return Pack(tuple(samples), tuple(rejected), relative=sheet.relative)


def _or_raise(answer: list[_Entry] | Rejected) -> list[_Entry]:
    if isinstance(answer, Rejected):
        raise PackError(answer.reason, answer.detail)
    return answer
