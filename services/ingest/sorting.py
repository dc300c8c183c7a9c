"""Sorting messages: what each one brings to the store, and for whom something is owed."""

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import structlog

from services.store import Batch, Message, Reject, UnitStatus, WaitingPack
from services.telemetry import Rejected, Sample, topics
from services.telemetry.messages import CommandReply, Event, Status, parse_message
from services.telemetry.packs import decode_pack

KEPT_BYTES = 65_536
"""Most bytes of one refused payload that are kept."""

_log = structlog.get_logger(__name__)


class Letter(NamedTuple):
    """One message as the sorting sees it, from the broker or from the waiting room."""

    topic: str
    payload: bytes
    received_ms: int
    expiry_left_s: int | None = None
    correlation: bytes = b""


@dataclass(frozen=True, slots=True)
class Reply:
    """A unit's answer to a command."""

    unit: str
    correlation: bytes
    said: CommandReply


@dataclass(slots=True)
class Sorted:
    """What a handful of messages came to."""

    samples: list[Sample] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    waiting: list[WaitingPack] = field(default_factory=list)
    statuses: list[UnitStatus] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    touched: dict[str, set[int]] = field(default_factory=dict)
    """Units heard of, with the boots they spoke of."""
    replies: list[Reply] = field(default_factory=list)
    unreadable: list[tuple[str, bool]] = field(default_factory=list)
    """Units whose pack could not be read, and whether it was a resent one."""

    def batch(self) -> Batch:
        """Return what the store is to keep."""
        return Batch(self.samples, self.rejects, self.waiting, self.statuses, self.messages)


def sort_letter(into: Sorted, letter: Letter, known: Collection[str]) -> None:
    """Decide what one message brings; nothing a unit sends raises."""
    place = topics.parse(letter.topic)
    if place is None or place.part != topics.part_of(place.unit):
        _refuse(into, letter, Rejected("wrong_topic", f"{letter.topic[:100]!r} is not a topic of ours"))
    elif place.unit not in known:
        if letter.payload:
            into.waiting.append(
                WaitingPack(
                    0, place.unit, letter.topic, letter.payload, letter.received_ms, letter.expiry_left_s
                )
            )
    elif place.leaf in topics.PACK_LEAVES:
        _sort_pack(into, letter, place)
    elif place.leaf == "status":
        _sort_status(into, letter, place.unit)
    else:
        _sort_message(into, letter, place)


def _sort_pack(into: Sorted, letter: Letter, place: topics.Topic) -> None:
    pack = decode_pack(
        letter.topic, letter.payload, received_ms=letter.received_ms, expiry_left_s=letter.expiry_left_s
    )
    samples = pack.samples
    if pack.relative and letter.expiry_left_s is None:
        # Nobody can tell how long it waited, so its times join nothing until the clock is set (design 3.1).
        samples = tuple(replace(sample, tq=-1) for sample in samples)
    into.samples.extend(samples)
    for rejected in pack.rejected:
        _refuse(into, letter, rejected)
    bids = into.touched.setdefault(place.unit, set())
    if samples:
        bids.add(samples[0].bid)
    else:
        into.unreadable.append((place.unit, place.leaf == "up/bulk"))


def _sort_status(into: Sorted, letter: Letter, unit: str) -> None:
    if not letter.payload:  # a retained status that was cleared
        return
    status = parse_message(Status, letter.payload, unit=unit)
    if isinstance(status, Rejected):
        _refuse(into, letter, status)
        return
    into.statuses.append(UnitStatus(unit, status.s, status.bid, status.next, status.fw, letter.received_ms))
    if status.s != "lost":
        into.touched.setdefault(unit, set()).add(status.bid)


def _sort_message(into: Sorted, letter: Letter, place: topics.Topic) -> None:
    parsed: Event | CommandReply | Rejected
    if place.leaf == "up/event":
        parsed = parse_message(Event, letter.payload, unit=place.unit)
    elif place.leaf == "up/resp":
        parsed = parse_message(CommandReply, letter.payload, unit=place.unit)
        if isinstance(parsed, CommandReply):
            into.replies.append(Reply(place.unit, letter.correlation, parsed))
    else:
        parsed = Rejected("wrong_topic", f"nothing is taken on {place.leaf}", place.unit)
    if isinstance(parsed, Rejected):
        _refuse(into, letter, parsed)
        return
    body = letter.payload.decode()  # JSON was read from it, so it is UTF-8
    into.messages.append(Message(0, place.unit, place.leaf, body, letter.correlation, letter.received_ms))


def _refuse(into: Sorted, letter: Letter, rejected: Rejected) -> None:
    _log.warning("ingest.message.rejected", topic=letter.topic[:100], reason=rejected.reason)
    into.rejects.append(Reject(rejected, letter.topic, letter.payload[:KEPT_BYTES], letter.received_ms))
