"""What is the same for every notice of a kind: delays, dead bands, priority by the time left."""

from collections.abc import Mapping
from dataclasses import dataclass

from services.domain import Consequence, NoticeKind, NoticePriority
from services.timebase import HOUR_MS, MINUTE_MS


@dataclass(frozen=True, slots=True)
class Delays:
    """How long something must have been so before it is told, and gone before it is told over."""

    on_ms: int
    off_ms: int


DELAYS: Mapping[NoticeKind, Delays] = {
    "hold": Delays(0, 0),
    "food_at_risk": Delays(5 * MINUTE_MS, 10 * MINUTE_MS),
    "cut_out": Delays(2 * MINUTE_MS, 10 * MINUTE_MS),
    "silence": Delays(15 * MINUTE_MS, 2 * MINUTE_MS),
    "battery_short": Delays(10 * MINUTE_MS, 30 * MINUTE_MS),
    "sensor_doubt": Delays(10 * MINUTE_MS, HOUR_MS),
    "service_due": Delays(HOUR_MS, 24 * HOUR_MS),
    "system_trouble": Delays(MINUTE_MS, 2 * MINUTE_MS),
}
"""Every kind has an on and an off delay (ANSI/ISA-18.2-2016, from memory, asks for them; their lengths are
judgement). A hold has none: the verdict that stands is its own memory, and only a signed decision ends it."""

RISK_WITHIN_MS, RISK_BEYOND_MS = 4 * HOUR_MS, 6 * HOUR_MS
"""Food at risk is told when it is this near, and over when it is that far again (judgement)."""
LASTS, LASTS_AGAIN = 0.9, 0.95
"""Chance of lasting until dawn below which a battery is told of, and from which no more (judgement)."""
SHORT_H, LONG_H = 12.0, 14.0
"""The same in hours to plan on, where no dawn was worked out (judgement)."""
SILENT_AFTER_MS = 5 * MINUTE_MS
SILENT_INTERVALS = 3
"""A unit is silent when its newest reading is older than both."""
AT_ONCE_MS = 30 * MINUTE_MS
"""Units of one place that fell silent, or lost power, this close together have one cause (judgement)."""

RECURS_AFTER, RECURS_WITHIN_MS = 3, HOUR_MS
"""Three returns within an hour become one notice that says so (judgement)."""
FLOOD_OVER, FLOOD_WITHIN_MS = 10, 10 * MINUTE_MS
"""More than ten in ten minutes is a flood (ANSI/ISA-18.2-2016 and IEC 62682, from memory; at most ten in the
first ten minutes of an upset: HSE information sheet CHIS6, citing EEMUA 191 page 37)."""

FLOOD_KEY = "house:flood"

HIGH_WITHIN_MS, MEDIUM_WITHIN_MS = HOUR_MS, 4 * HOUR_MS
"""Time left to act that makes a notice high, or medium (judgement)."""
_FLOOR: Mapping[Consequence, NoticePriority] = {
    "food_undecided": "high",
    "food_warms": "medium",
    "unit_stops": "low",
    "not_known": "medium",
    "wears": "low",
    "nothing_told": "high",
}
"""The least priority of a consequence, however much time there is."""


def priority_of(consequence: Consequence, left_ms: float | None) -> NoticePriority:
    """Return the priority of a consequence with so much time left to act; None where nothing sets a time."""
    floor = _FLOOR[consequence]
    if left_ms is None or consequence in {"wears", "not_known"} or floor == "high":
        return floor
    if left_ms <= HIGH_WITHIN_MS:
        return "high"
    return "medium" if left_ms <= MEDIUM_WITHIN_MS else floor
