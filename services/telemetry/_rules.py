"""What a pack may carry, and what is said of a record that it may not."""

from typing import Final

from services.telemetry._channels import CHANNELS
from services.telemetry._samples import Rejected, Value, milli_of
from services.telemetry.senml import Record

MESSAGE_EXPIRY_S = 604_800
"""Message Expiry that a unit gives to packs of relative times, so that waiting in a queue can be told."""
HIGHEST_COUNT = 2**53 - 1
"""Largest sample number, boot counter or uptime: exact in every form it travels in."""
HIGHEST_NUMBER = 9e12
"""Larger measured numbers would not fit the milli-units they are kept in."""
LONGEST_TEXT = 64
MOST_CHANNELS = 64
"""More channels than this in one pack is no cabinet."""

HEADER: Final = frozenset({"sq", "bid", "up", "tq"})
OPTIONAL_HEADER: Final = frozenset({"up", "tq"})
ENUMERATORS: Final = frozenset({"compressor", "tick"})
CLOCK_QUALITIES: Final = (0, 1, 2)


class PackError(Exception):
    """Ends the reading of one pack."""

    def __init__(self, reason: str, detail: str, *, undecodable: bool = True) -> None:
        super().__init__(reason)
        self.rejected = Rejected(reason, detail)
        self.undecodable = undecodable


UNITS_OF_NUMBERS: Final = {
    name: channel.unit for name, channel in CHANNELS.items() if channel.kind == "number"
}
_FAULT_WORDS: Final = {
    "no_value": "the record carries no value",
    "several_values": "the record carries more than one value",
    "not_a_number": "the value is not a finite number",
    "wrong_type": "the value is not of the type its label promises",
    "bad_name": "the name has characters that names may not have",
    "bad_unit": "the unit is not a text",
}


def accepted(channel: str, record: Record) -> tuple[Value | None, str, str]:
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
