"""All rounding and all words of the pages; nothing here computes a result."""

import math
from collections.abc import Sequence
from datetime import datetime, tzinfo
from typing import NamedTuple
from zoneinfo import ZoneInfo

from services.domain import Cutout, FoodAtRisk, Runout, UnitCard, Verdict
from services.timebase import HOUR_MS, MINUTE_MS, SECOND_MS, datetime_of

WORDS: dict[Verdict, str] = {
    Verdict.OK: "Cold",
    Verdict.WATCH: "Watch",
    Verdict.NO_DATA: "Not known",
    Verdict.HOLD: "Hold \N{EN DASH} do not serve",
    Verdict.DISCARD_ADVISED: "Discard advised",
}
MEDICINE_WORD = "Quarantine \N{EN DASH} ask the pharmacist"
"""Medicine is never to be thrown away, or used, on our word."""
MEDICINE_TOO = "medicine: quarantine, ask the pharmacist"
RESTING_WORD = "Not in use"
"""Nothing is promised of what may lie in a cabinet that is empty, off or away."""

CAUTIONS: tuple[str, ...] = (
    "Local code and the local environmental-health officer come before anything shown here.",
    "Taste and smell prove nothing. When in doubt, discard.",
    "Electrical and refrigeration work is for licensed technicians.",
    "Run engines and generators in the open air only: exhaust kills.",
)

CAUSES: dict[str, str] = {
    "battery_flat": "battery flat",
    "battery_weak": "battery weak: it gives way under load long before it is empty",
    "wiring": "wiring: voltage is lost between battery and unit",
    "charging": "charging: the battery is not being filled",
    "limits": "limits: the cut-out setting does not suit this battery",
    "supply_interrupted": "supply interrupted: plug, fuse or switch",
    "unit": "the unit itself",
    "unknown": "cause not known",
}
CAUSE_CHECKS: dict[str, str] = {
    "battery_flat": "Recharge fully, then look at what drew the charge and when it was last full.",
    "battery_weak": "Load-test the battery after a full charge and a rest.",
    "wiring": "Measure the voltage at the battery and at the unit while it runs; feel plugs for heat.",
    "charging": "Check charger, split relay and panel; compare the voltage with the battery's sheet.",
    "limits": "Compare the cut-out setting with the battery's chemistry and the cable's length.",
    "supply_interrupted": "Check plug, socket, fuse and switch; shake the lead while the unit runs.",
    "unit": "Run the unit on a bench supply and read its own fault code.",
    "unknown": "Run the unit on a charged battery and watch the voltage while it starts.",
}

FLAGS: dict[str, str] = {
    "drift": "drifts away from what it should read",
    "check_failed": "failed its check in melting ice",
    "scaled": "is of another scale, or of another voltage than the bank's",
}
"""Flags that one word does not explain."""

STATES: dict[str, str] = {
    "in_use": "in use",
    "empty": "empty",
    "off": "switched off",
    "bench": "on the bench",
}

DISPOSITIONS: dict[str, str] = {
    "kept": "kept",
    "cooked_at_once": "cooked at once",
    "refrozen": "refrozen",
    "moved": "moved to another cabinet",
    "discarded": "discarded",
}

CHANNELS: dict[str, tuple[str, str]] = {
    "cabinet_c": ("Cabinet", "°C"),
    "product_c": ("Product", "°C"),
    "ambient_c": ("Outside", "°C"),
    "evaporator_c": ("Evaporator", "°C"),
    "battery_v": ("Battery, at the unit", "V"),
    "bank_v": ("Battery, at its terminals", "V"),
    "current_a": ("Current", "A"),
    "compressor_hz": ("Compressor speed", "1/s"),
    "set_point_c": ("Set point", "°C"),
    "cutout_v": ("Cut-out setting", "V"),
    "rssi_dbw": ("Radio", "dBW"),
    "compressor_on": ("Compressor", ""),
    "lid_open": ("Lid", ""),
    "supply": ("Supply", ""),
    "fault": ("Fault", ""),
}


class RunoutWords(NamedTuple):
    """The run-out in words: what to plan on first, what is likely second."""

    plan: str
    likely: str
    note: str


def word(verdict: Verdict, classes: Sequence[str] = ()) -> str:
    """Return the verdict in words; medicine has its own for the two worst, beside that of other food."""
    if "medicine" in classes and verdict.rank >= Verdict.HOLD.rank:
        return f"{WORDS[verdict]}; {MEDICINE_TOO}" if holds_food(classes) else MEDICINE_WORD
    return WORDS[verdict]


def holds_food(classes: Sequence[str]) -> bool:
    """Return whether a cabinet holds food and not only medicine and drinks."""
    return not set(classes) <= {"medicine", "drinks"}


def word_of(card: UnitCard, verdict: Verdict) -> str:
    """Return a verdict on a cabinet in words; below hold, one that is not in use has none."""
    if is_resting(card, verdict):
        return RESTING_WORD
    return word(verdict, card.classes)


def is_resting(card: UnitCard, verdict: Verdict) -> bool:
    """Return whether a verdict says nothing because the cabinet is not in use."""
    return card.state != "in_use" and verdict.rank < Verdict.HOLD.rank


def number(value: float, digits: int = 1) -> str:
    """Return a number with a true minus sign, and no minus before zero."""
    shown = f"{value:.{digits}f}"
    if float(shown) == 0.0:
        shown = shown.removeprefix("-")
    return shown.replace("-", "\N{MINUS SIGN}")


def degrees(value: float | None) -> str:
    """Return a temperature to a tenth of a degree."""
    return "not measured" if value is None else f"{number(value)} °C"


def volts(value: float | None) -> str:
    """Return a voltage to a hundredth of a volt."""
    return "not measured" if value is None else f"{number(value, 2)} V"


def minutes(value: float) -> str:
    """Return minutes as minutes, or hours and minutes from two hours on; never less than there were."""
    whole = math.ceil(round(value, 6))
    return f"{whole} min" if whole < 120 else f"{whole // 60} h {whole % 60:02d} min"  # noqa: PLR2004 - two hours


def hours(value: float) -> str:
    """Return hours to half an hour below ten, to the hour above, rounded down."""
    if value < 10:  # noqa: PLR2004 - ten hours
        half = math.floor(value * 2) / 2
        return f"{half:.0f} h" if half == int(half) else f"{half:.1f} h"
    return f"{math.floor(value)} h"


def age(t_ms: int | None, now_ms: int) -> str:
    """Return how long ago something was."""
    if t_ms is None:
        return "never heard"
    seconds = max(0, now_ms - t_ms) // SECOND_MS
    for length, step, name in ((90, 1, "s"), (5_400, 60, "min"), (172_800, 3_600, "h")):
        if seconds < length:
            return f"{seconds // step} {name} ago"
    return f"{seconds // 86_400} days ago"


def local(t_ms: float, zone: tzinfo) -> datetime:
    """Return an instant in a site's zone."""
    return datetime_of(t_ms).astimezone(zone)


def clock(t_ms: float, zone: tzinfo, now_ms: int) -> str:
    """Return a time of day in the site's zone, with the day where it is not today."""
    moment, today = local(t_ms, zone), local(now_ms, zone)
    time = f"{moment:%H:%M}"
    days = (moment.date() - today.date()).days
    near = {0: time, 1: f"{time} tomorrow", -1: f"{time} yesterday"}
    return near.get(days, f"{time} on {moment:%a} {moment.day} {moment:%b}")


def stamp(t_ms: float, zone: tzinfo) -> str:
    """Return date and time in the site's zone, for records."""
    return f"{local(t_ms, zone):%Y-%m-%d %H:%M}"


def offset_name(t_ms: float, zone: tzinfo) -> str:
    """Return the zone's offset from UTC at an instant, for instance ``UTC+02:00``."""
    shown = f"{local(t_ms, zone):%z}"
    return f"UTC{shown[:3]}:{shown[3:]}"


def runout_words(runout: Runout, *, as_of_ms: int, zone: tzinfo, now_ms: int) -> RunoutWords:
    """Return the run-out in words; the early end leads, because people plan on it."""
    if runout.reason == "no_battery":
        return RunoutWords("no battery", "", "")
    if runout.reason == "cut_out":
        return RunoutWords("stopped now", "", "the unit has cut out")
    if runout.reason == "charging":
        return _charging(runout, zone=zone, now_ms=now_ms)
    if runout.hours_p10 is None:
        if runout.reason == "beyond_horizon":
            return RunoutWords("more than 7 days", "", "")
        return RunoutWords("not known", "", plain(runout.hours_p10_reason or runout.reason))
    plan = _ahead(as_of_ms + runout.hours_p10 * HOUR_MS, zone, now_ms)
    return RunoutWords(f"plan on {plan}", f"likely {_likely(runout, as_of_ms, zone, now_ms)}", "")


def _ahead(t_ms: float, zone: tzinfo, now_ms: int) -> str:
    """Return a time to plan on: nobody can plan on one gone by."""
    return "now" if t_ms < now_ms else clock(t_ms, zone, now_ms)


def _likely(runout: Runout, from_ms: float, zone: tzinfo, now_ms: int) -> str:
    if runout.hours_p50 is None:
        return "more than 7 days"
    return _ahead(from_ms + runout.hours_p50 * HOUR_MS, zone, now_ms)


def _charging(runout: Runout, *, zone: tzinfo, now_ms: int) -> RunoutWords:
    if runout.hours_p10 is None:
        return RunoutWords("charging", "", "")
    if runout.if_charging_stops_at is None:
        likely = "more than 7 days" if runout.hours_p50 is None else hours(runout.hours_p50)
        return RunoutWords("charging", "", f"then {hours(runout.hours_p10)} (likely {likely})")
    stop_ms = runout.if_charging_stops_at
    plan = _ahead(stop_ms + runout.hours_p10 * HOUR_MS, zone, now_ms)
    return RunoutWords(
        f"plan on {plan}",
        f"likely {_likely(runout, stop_ms, zone, now_ms)}",
        f"if charging stops at {clock(stop_ms, zone, now_ms)}",
    )


def risk_words(risk: FoodAtRisk | None, *, zone: tzinfo, now_ms: int) -> str:
    """Return from when food is at risk, early end first; empty when nothing can be told."""
    if risk is None or risk.from_p10 is None:
        return ""
    if risk.from_p10 <= now_ms:
        return "now"
    likely = "" if risk.from_p50 is None else f" (likely {clock(risk.from_p50, zone, now_ms)})"
    return f"{clock(risk.from_p10, zone, now_ms)}{likely}"


def cutout_words(cutout: Cutout, *, zone: tzinfo, now_ms: int) -> str:
    """Return one cut-out in a sentence."""
    start = clock(cutout.start, zone, now_ms)
    end = "and has not come back" if cutout.end is None else f"to {clock(cutout.end, zone, now_ms)}"
    at = "" if cutout.voltage_v is None else f", at {volts(cutout.voltage_v)}"
    sure = "" if cutout.certainty == "certain" else " (probable)"
    return (
        f"Cut out {start} {end}{at}: {CAUSES[cutout.cause]}{sure}; "
        f"{minutes(cutout.minutes_without_cooling)} without cooling."
    )


def above_words(card: UnitCard) -> str:
    """Return the minutes past the limit that decides, what is unknown, and the worst case if it differs."""
    if card.observed_at is None:
        return "not known"
    limit_c = card.limit_c if card.decided_c is None else card.decided_c
    side = "below" if card.decided_below else "above"
    parts = [f"{minutes(card.minutes_above)} {side} {degrees(limit_c)}"]
    if card.minutes_unknown > 0:
        parts.append(f"{minutes(card.minutes_unknown)} not known")
    if card.minutes_worst_case > card.minutes_above:
        parts.append(f"at worst {minutes(card.minutes_worst_case)}")
    return ", ".join(parts)


def sentence(words: str) -> str:
    """Return words as a sentence: a capital first, a full stop last."""
    tidy = words.strip()
    if not tidy:
        return ""
    return tidy[0].upper() + tidy[1:] + ("" if tidy[-1] in ".!?:" else ".")


def plain(code: str) -> str:
    """Return a code as words."""
    return code.replace("_", " ")


def value_words(column: str, value: float | bool | str) -> str:  # noqa: FBT001 - a reading, not a switch
    """Return a reading with its unit."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, bool) or column in {"compressor_on", "lid_open"}:
        yes, no = ("open", "shut") if column == "lid_open" else ("running", "not running")
        return yes if value else no
    unit = CHANNELS.get(column, ("", ""))[1]
    return f"{number(value, 2 if unit == 'V' else 1)} {unit}".strip()


def zone_of(card: UnitCard) -> ZoneInfo:
    """Return the zone of a cabinet's site."""
    return ZoneInfo(card.timezone)


def past_limit_ms(card: UnitCard) -> int:
    """Return how old a reading may be, in ms, before the page calls it old."""
    return max(30 * MINUTE_MS, 3 * card.interval_s * SECOND_MS)
