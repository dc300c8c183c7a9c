"""Packs of samples as units send them: topic and bytes to samples and rejects, and back."""

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from services.telemetry import topics
from services.telemetry._channels import CHANNELS
from services.telemetry._encoding import encode_pack
from services.telemetry._samples import Rejected, Sample, Value, milli_of
from services.telemetry.senml import RELATIVE_BELOW_S, Record, decode

__all__ = ["MESSAGE_EXPIRY_S", "Pack", "decode_pack", "encode_pack"]

MESSAGE_EXPIRY_S = 604_800
"""Message Expiry that a unit gives to packs of relative times, so that waiting in a queue can be told."""
HIGHEST_COUNT = 2**53 - 1
"""Largest sample number, boot counter or uptime: exact in every form it travels in."""
HIGHEST_NUMBER = 9e12
"""Larger measured numbers would not fit the milli-units they are kept in."""
LONGEST_TEXT = 64
MOST_CHANNELS = 64
"""More channels than this in one pack is no cabinet."""

_HEADER: Final = frozenset({"sq", "bid", "up", "tq"})
_ENUMERATORS: Final = frozenset({"compressor", "tick"})
_CLOCK_QUALITIES: Final = (0, 1, 2)


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


class _PackError(Exception):
    """Ends the reading of one pack."""

    def __init__(self, reason: str, detail: str, *, undecodable: bool = True) -> None:
        super().__init__(reason)
        self.rejected = Rejected(reason, detail)
        self.undecodable = undecodable


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
    except _PackError as fault:
        return Pack((), (replace(fault.rejected, unit=unit),), undecodable=fault.undecodable)


def _checked_place(where: topics.Topic | None) -> str:
    if where is None or where.leaf not in topics.PACK_LEAVES:
        raise _PackError("wrong_topic", "packs do not travel on this topic", undecodable=False)
    if where.part != topics.part_of(where.unit):
        raise _PackError(
            "identity_mismatch", f"part {where.part} is not the part of this unit", undecodable=False
        )
    return where.unit


class _Head:
    """The four records that say which samples these are."""

    __slots__ = ("bid", "sq", "tq", "up_s")

    def __init__(self, given: dict[str, object]) -> None:
        sq, bid, up, tq = (given.get(name) for name in ("sq", "bid", "up", "tq"))
        if not _is_count(sq) or not _is_count(bid):
            raise _PackError("no_identity", "sq or bid is missing or not a whole number from 0")
        if tq is not None and (type(tq) is not float or tq not in _CLOCK_QUALITIES):
            raise _PackError("bad_header", "tq is not 0, 1 or 2")
        if up is not None and not (isinstance(up, float) and 0 <= up <= HIGHEST_COUNT):
            raise _PackError("bad_header", "up is not a number from 0")
        self.sq, self.bid, self.tq = int(sq), int(bid), int(tq or 0)  # type: ignore[call-overload]
        self.up_s: float | None = up


def _is_count(value: object) -> bool:
    return type(value) is float and 0 <= value <= HIGHEST_COUNT and value.is_integer()


def _read(unit: str, payload: bytes, *, received_ms: int, expiry_left_s: int | None) -> Pack:
    records = decode(payload)
    if isinstance(records, Rejected):
        raise _PackError(records.reason, records.detail)
    waited_s = 0 if expiry_left_s is None else max(0, MESSAGE_EXPIRY_S - expiry_left_s)
    given, timed, relative = _sorted_out(unit, records, sent_ms=received_ms - waited_s * 1000)
    head = _Head(given)
    times = _times(timed)
    columns = _Columns(unit, head, times)
    for channel, t_ms, record in timed:
        columns.take(channel, t_ms, record)
    columns.carry_booleans()
    tq = 0 if relative else head.tq
    up_s, sq, bid = head.up_s, head.sq, head.bid
    samples = tuple(
        [
            Sample(
                unit,
                bid,
                sq + k,
                t_ms,
                tq,
                columns.values[k],
                None if up_s is None else up_s + (t_ms - times[0]) / 1000,
            )
            for k, t_ms in enumerate(times)
        ]
    )
    return Pack(samples, tuple(columns.rejected), relative=relative)


_Timed = tuple[str, int | None, Record]


def _sorted_out(
    unit: str, records: list[Record], *, sent_ms: int
) -> tuple[dict[str, object], list[_Timed], bool]:
    """Split header from measurements and name the instant of each; None where it has none."""
    prefix = unit + "/"
    start = len(prefix)
    given: dict[str, object] = {}
    timed: list[_Timed] = []
    relative = False
    last_s, t_ms = math.nan, 0
    for record in records:
        if not record.name.startswith(prefix):
            raise _PackError(
                "identity_mismatch", f"record {record.name[:60]!r} is not of this unit", undecodable=False
            )
        channel = record.name[start:]
        if channel in _HEADER:
            if channel in given and given[channel] != record.value:
                raise _PackError("bad_header", f"{channel} is given twice, differently")
            given[channel] = record.value
            continue
        t_s = record.t_s
        if t_s != last_s:
            if t_s < RELATIVE_BELOW_S:
                relative = True
                t_ms = sent_ms + round(t_s * 1000)
            elif t_s >= RELATIVE_BELOW_S:
                t_ms = round(t_s * 1000)
            last_s = t_s
        timed.append((channel, None if math.isnan(t_s) else t_ms, record))
    return given, timed, relative


def _times(timed: list[_Timed]) -> list[int]:
    """Return the instants of samples 0, 1, …: those of the enumerating records."""
    by_name: dict[str, list[int]] = {}
    for channel, t_ms, _ in timed:
        if channel in _ENUMERATORS:
            if t_ms is None:
                raise _PackError("bad_time", f"a {channel} record has no time, so samples cannot be numbered")
            by_name.setdefault(channel, []).append(t_ms)
    lists = list(by_name.values())
    times = lists[0] if len(lists) == 1 else sorted(t_ms for some in lists for t_ms in some)
    if not times:
        raise _PackError("no_samples", "neither compressor nor tick says how many samples these are")
    for some in (*lists, times):
        if any(later <= earlier for earlier, later in pairwise(some)):
            raise _PackError("times_not_increasing", "times of compressor or tick do not increase strictly")
    return times


class _Columns:
    """Measurements on their way to their samples."""

    def __init__(self, unit: str, head: _Head, times: list[int]) -> None:
        self._unit, self._head = unit, head
        self._place = {t_ms: k for k, t_ms in enumerate(times)}
        self._channels: set[str] = set()
        self._booleans: dict[str, dict[int, bool | None]] = {}
        self.values: list[dict[str, Value]] = [{} for _ in times]
        self.rejected: list[Rejected] = []

    def take(self, channel: str, t_ms: int | None, record: Record) -> None:
        """Put one record where it belongs, or among the rejected."""
        k = None if t_ms is None else self._place.get(t_ms)
        if k is None:
            reason = record.fault or "no_sample"
            self._reject(reason, "no sample of this pack has the time of this record", channel, None)
            return
        if channel == "tick":
            return
        self._channels.add(channel)
        if len(self._channels) > MOST_CHANNELS:
            raise _PackError("too_many_channels", f"more than {MOST_CHANNELS} channels in one pack")
        value, reason, detail = _accepted(channel, record)
        if value is None:
            self._reject(reason, detail, channel, k)
            if channel in self._booleans or record.value is None:
                self._booleans.setdefault(channel, {}).setdefault(k, None)
        elif channel in self.values[k]:
            if self.values[k][channel] != value:
                self._reject("repeated", "a second value for the same sample", channel, k)
        else:
            self.values[k][channel] = value
            if value is True or value is False:
                self._booleans.setdefault(channel, {})[k] = value

    def carry_booleans(self) -> None:
        """Repeat booleans that were sent on change; the compressor is in every sample by itself."""
        if len(self.values) == 1:
            return
        for channel, seen in self._booleans.items():
            if channel == "compressor":
                continue
            held: bool | None = None
            for k, values in enumerate(self.values):
                held = seen.get(k, held)
                if held is not None:
                    values.setdefault(channel, held)

    def _reject(self, reason: str, detail: str, channel: str, k: int | None) -> None:
        sq = None if k is None else self._head.sq + k
        self.rejected.append(Rejected(reason, detail, self._unit, self._head.bid, sq, channel))


_FAULT_WORDS: Final = {
    "no_value": "the record carries no value",
    "several_values": "the record carries more than one value",
    "not_a_number": "the value is not a finite number",
    "wrong_type": "the value is not of the type its label promises",
    "bad_name": "the name has characters that names may not have",
    "bad_unit": "the unit is not a text",
}


def _accepted(channel: str, record: Record) -> tuple[Value | None, str, str]:
    """Return the value to keep, or None with a reason and a sentence."""
    value = record.value
    if record.fault is not None:
        return None, record.fault, _FAULT_WORDS.get(record.fault, record.fault)
    if not channel or value is None:
        return None, "bad_name" if value is not None else "no_value", "the record names or says nothing"
    if type(value) is float:
        problem = _number_problem(channel, value, record.unit)
        return (milli_of(value) / 1000, "", "") if problem is None else (None, *problem)
    spec = CHANNELS.get(channel)
    kind = "boolean" if type(value) is bool else "text" if type(value) is str else "data"
    if isinstance(value, bytes) or (spec is not None and spec.kind != kind):
        return None, "wrong_kind", f"{channel} cannot be {kind}"
    if type(value) is str and len(value) > LONGEST_TEXT:
        return None, "too_long", f"a text of more than {LONGEST_TEXT} characters"
    return value, "", ""


def _number_problem(channel: str, value: float, unit: str | None) -> tuple[str, str] | None:
    spec = CHANNELS.get(channel)
    if spec is not None and spec.kind != "number":
        return "wrong_kind", f"{channel} is a {spec.kind}, not a number"
    if spec is not None and unit != spec.unit:
        return "wrong_unit", f"{channel} is in {spec.unit}, not in {str(unit)[:20]}"
    if not -HIGHEST_NUMBER < value < HIGHEST_NUMBER:
        return "out_of_range", "the number is too large to keep"
    return None
