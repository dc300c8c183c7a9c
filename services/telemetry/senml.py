"""Sensor measurement lists: bytes to records and back (RFC 8428, units of RFC 8798, versions of RFC 9100).

Records are maps under the integer labels of RFC 8428 table 4, whatever form they travelled in.
Nothing here raises on bytes from outside: a pack that breaks the standard is a `Rejected`, a single
bad record is a `Record` that carries its fault.
"""

import math
import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

from services.telemetry._samples import Rejected
from services.telemetry._wire import (
    BN,
    BS,
    BT,
    BU,
    BV,
    BVER,
    VB,
    VD,
    VS,
    Fields,
    N,
    S,
    T,
    U,
    V,
    encode_cbor,
    encode_json,
    maps_of,
)

__all__ = ["RELATIVE_BELOW_S", "Record", "decode", "encode_cbor", "encode_json", "flatten", "resolve"]

RELATIVE_BELOW_S = 2.0**28
"""Times below this are relative to now, the rest count from 1970 [RFC 8428, section 4.5.3]."""
HIGHEST_TIME_S = 253_402_300_800.0
"""Year 10000; nothing measured lies beyond."""

DEFAULT_VERSION = 10
SECONDARY_UNITS_VERSION = 26
"""10 with feature bit 4: secondary units allowed [RFC 9100]."""

_VERSIONS: Final = frozenset({*range(1, DEFAULT_VERSION + 1), SECONDARY_UNITS_VERSION})

SECONDARY_UNITS: Final[dict[str, tuple[str, float, float, float]]] = {
    "ms": ("s", 1, 1000, 0),
    "min": ("s", 60, 1, 0),
    "h": ("s", 3600, 1, 0),
    "Ah": ("C", 3600, 1, 0),
    "Wh": ("J", 3600, 1, 0),
    "kWh": ("J", 3_600_000, 1, 0),
    "mV": ("V", 1, 1000, 0),
    "mA": ("A", 1, 1000, 0),
    "/100": ("/", 1, 100, 0),
    "hPa": ("Pa", 100, 1, 0),
    "km/h": ("m/s", 1, 3.6, 0),
    "dBm": ("dBW", 1, 1, -30),
}
"""Secondary unit to (primary unit, multiplier, divisor, offset) [RFC 8798, those we meet]."""

MAX_RECORDS = 8_192

_VALUE_LABELS: Final = frozenset({V, VS, VB, VD})
_BASE_LABELS: Final = frozenset({BVER, BN, BT, BU, BV, BS})
_MORE_LABELS: Final = frozenset({T, U, S})
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")

RecordValue = float | bool | str | bytes | None


class Record(NamedTuple):
    """One record with the base fields worked in."""

    name: str
    t_s: float
    """Seconds since 1970, or relative to now when below `RELATIVE_BELOW_S`; NaN when unreadable."""
    unit: str | None
    value: RecordValue
    """None when the record carries only a sum, or has a fault."""
    total: float | None = None
    """The sum field."""
    fault: str | None = None
    """Reason code when the record cannot be used; the records around it can."""


def _number(value: object) -> float | None:
    """Return a finite float, None for anything else; booleans are not numbers."""
    if type(value) is not int and type(value) is not float:
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


@lru_cache(maxsize=4096)
def _name_is_valid(name: str) -> bool:
    return _NAME.fullmatch(name) is not None


class _Base:
    """The base fields in force while a pack is walked through [RFC 8428, section 4.1]."""

    __slots__ = ("name", "scaled", "t_s", "total", "unit", "value", "version")

    def __init__(self) -> None:
        self.name = ""
        self.t_s = 0.0
        self.unit: str | None = None
        self.value = 0.0
        self.total = 0.0
        self.version: int | None = None
        self.scaled = False

    def take(self, fields: Fields, *, first: bool) -> Rejected | None:
        """Take over the base fields of a record; a wrong one spoils everything after it."""
        name, unit = fields.get(BN, self.name), fields.get(BU, self.unit)
        if type(name) is not str or not (unit is None or type(unit) is str):
            return Rejected("bad_base", "bn or bu is not a text")
        self.name, self.unit = name, unit
        t_s = _number(fields[BT]) if BT in fields else self.t_s
        value = _number(fields[BV]) if BV in fields else self.value
        total = _number(fields[BS]) if BS in fields else self.total
        if t_s is None or value is None or total is None:
            return Rejected("bad_base", "bt, bv or bs is not a finite number")
        if not -RELATIVE_BELOW_S < t_s < HIGHEST_TIME_S:
            return Rejected("bad_base", "bt lies outside any time that can be")
        self.t_s, self.value, self.total = t_s, value, total
        return self._take_version(fields[BVER], first=first) if BVER in fields else None

    def _take_version(self, version: object, *, first: bool) -> Rejected | None:
        if type(version) is not int or version not in _VERSIONS:
            return Rejected("unsupported_version", f"bver {_short(version)} is not understood")
        if not first and version != (DEFAULT_VERSION if self.version is None else self.version):
            return Rejected("mixed_versions", "records of one pack name different versions")
        self.version = version
        self.scaled = version == SECONDARY_UNITS_VERSION
        return None


def _short(value: object) -> str:
    return repr(value)[:40]


class _Shape(NamedTuple):
    """What can be said of a record from its labels alone."""

    refused: str | None
    """A label that must be understood and is not [RFC 8428, section 4.4]."""
    has_base: bool
    value_label: int | None
    """The one label that carries the value."""
    fault: str | None
    has_more: bool
    """A time, unit or sum of its own."""


_SHAPES: Final[dict[tuple[int | str, ...], _Shape]] = {}
"""Units send the same few shapes again and again, so each is judged once; bounded by `_MOST_SHAPES`."""
_MOST_SHAPES = 1_024


def _shape_of(labels: tuple[int | str, ...]) -> _Shape:
    refused = next((label for label in labels if type(label) is str and label.endswith("_")), None)
    values = [label for label in labels if label in _VALUE_LABELS]
    fault = None
    if len(values) != 1 and not (not values and S in labels):
        fault = "several_values" if values else "no_value"
    shape = _Shape(
        refused=None if refused is None else refused[:40],
        has_base=not _BASE_LABELS.isdisjoint(labels),
        value_label=int(values[0]) if len(values) == 1 else None,
        fault=fault,
        has_more=not _MORE_LABELS.isdisjoint(labels),
    )
    if len(_SHAPES) < _MOST_SHAPES and all(type(label) is int for label in labels):
        _SHAPES[labels] = shape
    return shape


def _value_of(fields: Fields, label: int, base_value: float) -> tuple[RecordValue, str | None]:
    """Return the value of a record, or None and a reason code."""
    value: Any = fields[label]
    if label == V:
        number = _number(value)
        return (None, "not_a_number") if number is None else (number + base_value, None)
    wanted = bool if label == VB else str if label == VS else bytes
    return (value, None) if type(value) is wanted else (None, "wrong_type")


def _record_of(fields: Fields, base: _Base, shape: _Shape) -> Record:
    value: RecordValue = None
    fault = shape.fault
    if shape.value_label is not None:
        value, fault = _value_of(fields, shape.value_label, base.value)
    name = base.name
    if N in fields:
        own_name = fields[N]
        if type(own_name) is str:
            name += own_name
        else:
            fault = "bad_name"
    if not _name_is_valid(name):
        fault = "bad_name"
    if shape.has_more or base.scaled:
        return _with_more(fields, base, name, value, fault)
    if fault is not None:
        value = None
    return Record(name, base.t_s, base.unit, value, None, fault)


def _with_more(fields: Fields, base: _Base, name: str, value: RecordValue, fault: str | None) -> Record:
    """Return a record that has a time, unit or sum of its own, or units to be scaled."""
    t_s = base.t_s
    if T in fields:
        own_t_s = _number(fields[T])
        t_s = math.nan if own_t_s is None else t_s + own_t_s
        if not -RELATIVE_BELOW_S < t_s < HIGHEST_TIME_S:
            t_s, fault = math.nan, "bad_time"
    unit = fields.get(U, base.unit)
    if type(unit) is not str and unit is not None:
        unit, fault = None, "bad_unit"
    total = None
    if S in fields:
        own_total = _number(fields[S])
        total, fault = (None, "not_a_number") if own_total is None else (base.total + own_total, fault)
    if base.scaled and unit in SECONDARY_UNITS:
        unit, value, total = _in_primary(unit, value, total)
    return Record(name, t_s, unit, None if fault is not None else value, total, fault)


def _in_primary(unit: str, value: RecordValue, total: float | None) -> tuple[str, RecordValue, float | None]:
    primary, multiplier, divisor, offset = SECONDARY_UNITS[unit]
    if type(value) is float:
        value = value * multiplier / divisor + offset
    return primary, value, None if total is None else total * multiplier / divisor


def flatten(pack: Sequence[object]) -> list[Record] | Rejected:
    """Work the base fields into the records, in the order sent [RFC 8428, sections 4.1 to 4.5]."""
    if len(pack) > MAX_RECORDS:
        return Rejected("too_many_records", f"{len(pack)} records, at most {MAX_RECORDS} are taken")
    base = _Base()
    records = []
    for index, fields in enumerate(pack):
        if type(fields) is not dict:
            return Rejected("not_a_record", f"entry {index} is not a map")
        labels = tuple(fields)
        shape = _SHAPES.get(labels) or _shape_of(labels)
        if shape.refused is not None:
            return Rejected("not_understood", f"label {shape.refused!r} must be understood and is not")
        if shape.has_base:
            problem = base.take(fields, first=index == 0)
            if problem is not None:
                return problem
        records.append(_record_of(fields, base, shape))
    return records


def resolve(records: Iterable[Record], *, now_s: float) -> list[Record]:
    """Return records with absolute times, in order of time [RFC 8428, section 4.6]; faulty ones left out."""
    absolute = (
        record._replace(t_s=record.t_s + now_s) if record.t_s < RELATIVE_BELOW_S else record
        for record in records
        if record.fault is None
    )
    return sorted(absolute, key=lambda record: record.t_s)


def decode(payload: bytes) -> list[Record] | Rejected:
    """Return the records of a pack in the order sent, or why it cannot be read.

    The answer depends on the bytes alone: times below `RELATIVE_BELOW_S` stay relative.
    """
    pack = maps_of(payload)
    return pack if isinstance(pack, Rejected) else flatten(pack)
