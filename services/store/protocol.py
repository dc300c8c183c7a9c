"""What every telemetry store does; readers live in other processes than the one writer."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from services.store.bins import Bins, Grid
from services.telemetry import IntArray, Rejected, Sample, Series, Value
from services.timebase import Span


@dataclass(frozen=True, slots=True)
class Appended:
    """What a durable append did."""

    change_no: int | None
    """Number of the newest change; None when nothing new was stored."""
    stored: int
    duplicates: int
    conflicts: int
    """Samples whose identity was taken by other values; in quarantine, counted as confirmed."""


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the change feed: a unit has new samples between two times (both inclusive)."""

    change_no: int
    unit: str
    t_min_ms: int
    t_max_ms: int


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest believable sample of one unit (time not more than 5 min ahead of now)."""

    unit: str
    t_ms: int
    received_ms: int
    values: Mapping[str, Value]
    """By column."""


@dataclass(frozen=True, slots=True)
class Skipped:
    """A stretch of sample numbers declared missing, both ends inclusive."""

    bid: int
    from_sq: int
    to_sq: int
    reason: str


@dataclass(frozen=True, slots=True)
class Waiting:
    """An unknown unit that knocks: its packs are kept, un-confirmed, until somebody adds it."""

    unit: str
    packs: int
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class UnitStatus:
    """What a unit (or the broker, as its last will) last said about itself."""

    unit: str
    s: str
    """``on``, ``sleep``, ``off`` or ``lost``."""
    bid: int
    next_s: float | None
    """When the unit means to be heard of again. [s after `received_ms`]"""
    fw: str | None
    received_ms: int


@dataclass(frozen=True, slots=True)
class Message:
    """An event or a reply of a unit, kept as it came."""

    number: int
    """Position in the store; 0 before it is stored."""
    unit: str
    leaf: str
    """``up/event`` or ``up/resp``."""
    body: str
    """The JSON text."""
    correlation: bytes
    received_ms: int


@dataclass(frozen=True, slots=True)
class WaitingPack:
    """A pack of a unit nobody has added yet, kept raw so that it can be replayed."""

    number: int
    """Position in the store; 0 before it is stored."""
    unit: str
    topic: str
    payload: bytes
    received_ms: int
    expiry_left_s: int | None


class StoreReader(Protocol):
    """Reading side, usable from any process."""

    def read(self, unit: str, start_ms: int, end_ms: int, columns: Sequence[str] | None = None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``, in order of time, then bid and sq."""

    def binned(self, unit: str, over: Grid, columns: Sequence[str]) -> Mapping[str, Bins]:
        """Return columns of numbers or booleans in bins of time, in the order asked for."""

    def counted(self, unit: str, column: str, edges_ms: IntArray) -> IntArray | None:
        """Return what the rule counts of a column, one number per row and stretch; edges are on the hour.

        None when the store was opened without a rule that counts the column.
        """

    def span_of(self, unit: str) -> tuple[int, int] | None:
        """Return the oldest and newest sample time of a unit, None when it has none."""

    def latest(self, now_ms: int, units: Collection[str] | None = None) -> Mapping[str, Latest]:
        """Return the newest sample of every unit, or of some, with ``t_ms <= now_ms + 5 min``."""

    def changes_after(self, change_no: int, limit: int = 10_000) -> Sequence[Change]:
        """Return changes with a higher number, oldest first."""

    def marks(self, unit: str) -> Mapping[int, int]:
        """Return, per bid, the highest sq held without a gap from 0; -1 when sq 0 is missing."""

    def newest_sq(self, unit: str) -> Mapping[int, int]:
        """Return, per bid, the highest sq held; above the mark it means a backlog is known."""

    def backlogged(self, units: Collection[str]) -> frozenset[str]:
        """Return those of some units of which samples are known to exist that are not held."""

    def missing_spans(self, unit: str) -> Sequence[Span]:
        """Return the stretches of time in which samples are known to exist that are not held.

        Each runs from the held sample before a gap in the numbers to the held one after it; before
        the first sample of all it starts at 0.
        """

    def skipped(self, unit: str) -> Sequence[Skipped]:
        """Return stretches declared missing."""

    def waiting(self) -> Sequence[Waiting]:
        """Return the unknown units that knock."""

    def quarantine_count(self) -> int:
        """Return how many rejects are kept."""

    def quarantine(self, limit: int = 100) -> Sequence["Reject"]:
        """Return the newest rejects, newest first."""

    def statuses(self, units: Collection[str] | None = None) -> Mapping[str, UnitStatus]:
        """Return what every unit, or some, last said about itself."""

    def messages_after(self, number: int, limit: int = 1_000) -> Sequence[Message]:
        """Return events and replies with a higher number, oldest first."""

    def sent_commands(self) -> Mapping[str, int]:
        """Return, per command, when it was handed to the broker, in ms since the epoch."""

    def close(self) -> None:
        """Release the connection."""


class TelemetryStore(StoreReader, Protocol):
    """Writing side: one process only."""

    def append(
        self, samples: Sequence[Sample], *, received_ms: int, rejects: Sequence["Reject"] = ()
    ) -> Appended:
        """Store samples and rejects durably in one transaction, before returning."""

    def commit(self, batch: "Batch", *, received_ms: int) -> Appended:
        """Store everything one batch of messages brought, durably, in one transaction."""

    def declare_skipped(self, unit: str, skipped: Skipped) -> None:
        """Record a stretch as missing; it counts as held."""

    def gaps(self) -> Mapping[tuple[str, int], Sequence[tuple[int, int]]]:
        """Return, per unit and bid with a known backlog, the stretches missing below the newest sample."""

    def waiting_packs(self, unit: str, limit: int = 200) -> Sequence[WaitingPack]:
        """Return the oldest packs kept for a unit that was unknown."""

    def forget_waiting(self, unit: str, up_to_number: int) -> None:
        """Drop the kept packs of a unit up to a number, once they are stored as samples."""

    def mark_sent(self, command_id: str, sent_ms: int) -> None:
        """Remember that a command was handed to the broker."""

    def tidy(self, now_ms: int) -> bool:
        """Do one short piece of housekeeping; return whether more of it waits."""


@dataclass(frozen=True, slots=True)
class Reject:
    """A rejected record or payload as it is kept in quarantine."""

    rejected: Rejected
    topic: str
    payload: bytes
    received_ms: int


@dataclass(frozen=True, slots=True)
class Batch:
    """What a handful of messages brought, in order of arrival."""

    samples: Sequence[Sample] = ()
    rejects: Sequence[Reject] = ()
    waiting: Sequence[WaitingPack] = ()
    statuses: Sequence[UnitStatus] = ()
    messages: Sequence[Message] = ()
