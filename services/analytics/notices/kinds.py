"""What is the same for every notice of a kind: delays, dead bands, priority by the time left."""

from collections.abc import Mapping
from dataclasses import dataclass

from services.domain import Consequence, NoticeKind, NoticePriority, NoticeTask
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
    "battery_short": Delays(10 * MINUTE_MS, 3 * HOUR_MS),
    "sensor_doubt": Delays(10 * MINUTE_MS, HOUR_MS),
    "service_due": Delays(HOUR_MS, 24 * HOUR_MS),
    "system_trouble": Delays(MINUTE_MS, 2 * MINUTE_MS),
}
"""Every kind has an on and an off delay (ANSI/ISA-18.2-2016, from memory, asks for them; their lengths are
judgement). A hold has none: the verdict that stands is its own memory, and only a signed decision ends it."""

QUIET_AFTER_MS: Mapping[NoticeKind, int] = {"battery_short": 12 * HOUR_MS}
"""So long after one passed it is told again only if it is worse than it was: a forecast wavers around dawn
and with every drive, and one word an evening is enough (judgement)."""

TOLD_AGAIN_MS: Mapping[NoticeTask, int] = {"say_empty": 12 * HOUR_MS}
"""So long after it was told the same is told again while it goes on: a cabinet that stays warm after its food
went comes to hold every few hours, and nothing in it spoils (judgement)."""

RISK_WITHIN_MS, RISK_BEYOND_MS = 4 * HOUR_MS, 6 * HOUR_MS
"""Food at risk is told when it is this near, and over when it is that far again (judgement)."""
LASTS, LASTS_AGAIN = 0.9, 0.95
"""Chance of lasting until dawn below which a battery is told of, and from which no more (judgement)."""
EVENING_H, DAWN_H = 16, 5
"""Local hours between which the night ahead is asked about: before that the day's charge is still to come."""
SOON_MS, SOON_BEYOND_MS = 4 * HOUR_MS, 5 * HOUR_MS
"""A battery that stops its unit this soon is told of at any hour, and over beyond that (judgement)."""
SHORT_H, LONG_H = 12.0, 14.0
"""The same in hours to plan on, where no dawn was worked out (judgement)."""
SILENT_AFTER_MS = 5 * MINUTE_MS
SILENT_INTERVALS = 3
"""A unit is silent when its newest reading is older than both."""
AT_ONCE_MS = 30 * MINUTE_MS
"""Units of one place that fell silent, or lost power, this close together have one cause (judgement)."""

RECURS_AFTER, RECURS_WITHIN_MS = 3, HOUR_MS
"""Three returns within an hour become one notice that says so (judgement)."""
LOOK_BACK_MS = max(RECURS_WITHIN_MS, *QUIET_AFTER_MS.values(), *TOLD_AGAIN_MS.values())
"""How long what is over still counts when its cause is there again."""
FLOOD_OVER, FLOOD_WITHIN_MS = 10, 10 * MINUTE_MS
"""More than ten in ten minutes is a flood (ANSI/ISA-18.2-2016 and IEC 62682, from memory; at most ten in the
first ten minutes of an upset: HSE information sheet CHIS6, citing EEMUA 191 page 37)."""

FLOOD_KEY = "house:flood"

HIGH_WITHIN_MS, MEDIUM_WITHIN_MS = HOUR_MS, 4 * HOUR_MS
"""Time left to act that makes a notice high, or medium (judgement). High means: act within the hour, or food
is lost; a unit that stops within the hour keeps its food cold for longer than that."""
UNKNOWN_UP_TO_MS = 4 * HOUR_MS
"""Not knowing for so long begins to press: a shut fridge without power keeps its food for about 4 h (USDA
FSIS, food in a power outage, read in secondary copies; for cabinets in the heat judgement)."""
_FLOOR: Mapping[Consequence, NoticePriority] = {
    "food_undecided": "high",
    "food_warms": "low",
    "unit_stops": "low",
    "engine_fails": "low",
    "not_known": "low",
    "wears": "low",
    "nothing_told": "high",
}
"""The least priority of a consequence, however much time there is."""
_TIMELESS: Mapping[Consequence, NoticePriority] = {"food_warms": "medium", "not_known": "medium"}
"""The priority where nobody can tell how much time there is, where that is more."""


def priority_of(consequence: Consequence, left_ms: float | None) -> NoticePriority:
    """Return the priority of a consequence with so much time left to act; None where nothing sets a time.

    Of what is not known, `left_ms` is the time until that begins to press.
    """
    floor = _FLOOR[consequence]
    if floor == "high" or consequence == "wears":
        return floor
    if left_ms is None:
        return _TIMELESS.get(consequence, floor)
    if consequence == "not_known":
        return "medium" if left_ms <= 0 else floor
    if left_ms <= HIGH_WITHIN_MS and consequence != "unit_stops":
        return "high"
    return "medium" if left_ms <= MEDIUM_WITHIN_MS else floor
