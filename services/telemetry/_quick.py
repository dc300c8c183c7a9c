"""The short way for what nearly every live message is: one sample, plain numbers, a clock that is set."""

from collections.abc import Sequence
from typing import Any

from services.telemetry._rules import CLOCK_QUALITIES, HEADER, HIGHEST_COUNT, HIGHEST_NUMBER, UNITS_OF_NUMBERS
from services.telemetry._samples import Sample, Value, milli_of
from services.telemetry._wire import BN, BT, VB, N, U, V
from services.telemetry.senml import HIGHEST_TIME_S, RELATIVE_BELOW_S

_LONGEST = 24
_PLAIN, _WITH_UNIT, _FIRST = 2, 3, 4
_ORDINARY = "compressor"


def only_sample(unit: str, entries: Sequence[object]) -> Sample | None:
    """Return the one sample of an ordinary pack; None when the general way must look at it.

    Takes nothing that the general way would judge otherwise; a property test holds the two together.
    """
    if not 0 < len(entries) <= _LONGEST:
        return None
    first = entries[0]
    if type(first) is not dict or first.get(BN) != unit + "/":
        return None
    t_s = first.get(BT)
    if type(t_s) is not int and type(t_s) is not float:
        return None
    head: dict[str, Any] = {}
    values: dict[str, Value] = {}
    for fields in entries:
        if type(fields) is not dict or not _takes(fields, head, values):
            return None
    if not RELATIVE_BELOW_S <= t_s < HIGHEST_TIME_S or _ORDINARY not in values:
        return None
    return _numbered(unit, round(t_s * 1000), head, values)


def _takes(fields: dict[int | str, object], head: dict[str, Any], values: dict[str, Value]) -> bool:
    """Put one record into header or values; False when it is out of the ordinary."""
    name = fields.get(N)
    if type(name) is not str or name in values:
        return False
    value = fields.get(V)
    if type(value) is int or type(value) is float:
        if name in UNITS_OF_NUMBERS:
            values[name] = milli_of(value) / 1000 if -HIGHEST_NUMBER < value < HIGHEST_NUMBER else 0.0
            return (
                -HIGHEST_NUMBER < value < HIGHEST_NUMBER
                and len(fields) == _WITH_UNIT
                and fields.get(U) == UNITS_OF_NUMBERS[name]
            )
        known = name in HEADER and name not in head and 0 <= value <= HIGHEST_COUNT
        head[name] = value
        return known and len(fields) == (_PLAIN if len(head) > 1 else _FIRST)
    running = fields.get(VB)
    if type(running) is bool:
        values[name] = running
    return name == _ORDINARY and type(running) is bool and len(fields) == _PLAIN


def _numbered(unit: str, t_ms: int, head: dict[str, Any], values: dict[str, Value]) -> Sample | None:
    sq, bid, tq, up_s = head.get("sq"), head.get("bid"), head.get("tq"), head.get("up")
    if type(sq) is not int or type(bid) is not int or type(tq) is not int or tq not in CLOCK_QUALITIES:
        return None
    return Sample(unit, bid, sq, t_ms, tq, values, None if up_s is None else float(up_s))
