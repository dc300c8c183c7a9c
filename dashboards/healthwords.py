"""The days of a machine in words: names of its numbers, newest and usual values, and what is not known."""

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC
from typing import NamedTuple

from dashboards import text
from dashboards.benchwords import milliohm
from dashboards.figures.health_svg import Spark, spark
from dashboards.language import Phrase, Table, _
from services.api.healthdesk import NumberOfDays, UnitHealth
from services.domain import WhyNot

_NUMBER = re.compile(r"(?P<number>[\N{MINUS SIGN}\d.,]+)(?P<rest>.*)")
_TENTH = 10.0
"""Slopes are told for ten kelvin."""


class Row(NamedTuple):
    """One number."""

    name: str
    key: str
    last: str
    usual: str
    line: Spark | None


class Group(NamedTuple):
    """Numbers that belong together."""

    title: str
    rows: tuple[Row, ...]


def _share(value: float) -> str:
    return text.share(value)


def _fine_share(value: float) -> str:
    return _("%(number)s %%", number=text.number(100 * value))


def _slope(value: float) -> str:
    shown = text.number(100 * _TENTH * value)
    return _("%(number)s %% for %(ten)s", number=shown, ten=text.difference(_TENTH, 0))


def _hourly(value: float) -> str:
    return _("%(change)s an hour", change=text.difference(value))


def _hours(value: float) -> str:
    return f"{text.number(value)} h"


def _gain(value: float) -> str:
    return f"{text.number(value, 2)} W/K"


def _amps(value: float) -> str:
    return f"{text.number(value, 2)} A"


def _charge(value: float) -> str:
    return f"{text.number(value)} Ah"


def _yes(value: float) -> str:
    return _("yes") if value else _("no")


def _rate(value: float) -> str:
    return text.number(value)


def _count(value: float) -> str:
    return text.number(value, 0)


def _part_an_hour(value: float) -> str:
    return _("%(share)s of the difference an hour", share=_fine_share(value))


Words = Callable[[float], str]
_SHOWN: dict[str, tuple[Phrase, str, Words]] = {
    "night_slope_per_k": (Phrase("Running at night"), "h_slope", _slope),
    "hot_slope_per_k": (Phrase("Running around noon"), "h_slope", _slope),
    "capacity_ratio_k": (Phrase("Could be held below the air by"), "h_ratio", text.difference),
    "cooling_k_per_h": (Phrase("Cooling, heat gain taken off"), "h_ratio", _hourly),
    "warm_up_per_h": (Phrase("Heat gain"), "h_ratio", _part_an_hour),
    "time_constant_h": (Phrase("Time constant without cooling"), "h_tau", _hours),
    "gain_w_per_k": (Phrase("Heat gain, by the declared load"), "h_tau", _gain),
    "evaporator_gap_k": (Phrase("Evaporator below the cabinet"), "h_ratio", text.difference),
    "duty": (Phrase("Share of time running"), "h_run", _share),
    "hours_run": (Phrase("Hours run"), "h_run", _hours),
    "starts_per_h": (Phrase("Starts an hour"), "h_run", _rate),
    "longest_run_h": (Phrase("Longest run"), "h_run", _hours),
    "full_duty_share": (Phrase("Share of the day in runs of two hours and more"), "h_run", _share),
    "above_set_k": (Phrase("Mean above the set point"), "h_cabinet", text.difference),
    "swing_k": (Phrase("Rise from stop to start"), "h_cabinet", text.difference),
    "stop_above_k": (Phrase("Stops above the set point by"), "h_cabinet", text.difference),
    "start_above_k": (Phrase("Starts above the set point by"), "h_cabinet", text.difference),
    "off_k_per_h": (Phrase("Warms while it stands"), "h_cabinet", _hourly),
    "on_k_per_h": (Phrase("Cools while it runs"), "h_cabinet", _hourly),
    "running_a": (Phrase("Running current"), "h_supply", _amps),
    "running_v": (Phrase("Voltage at that current"), "h_supply", text.volts),
    "rest_v": (Phrase("Voltage at rest"), "h_supply", text.volts),
    "loaded_v": (Phrase("Voltage under load"), "h_supply", text.volts),
    "dawn_v": (Phrase("Voltage before dawn"), "h_supply", text.volts),
    "path_ohm": (Phrase("Way from the battery"), "h_supply", milliohm),
    "sag_v": (Phrase("Voltage lost at running current"), "h_supply", text.volts),
    "ah": (Phrase("Charge drawn"), "h_supply", _charge),
    "charging_h": (Phrase("Hours of charging"), "h_supply", _hours),
    "full": (Phrase("Charged full that day"), "h_supply", _yes),
    "cutouts": (Phrase("Cut-outs"), "h_supply", _count),
    "ambient_c": (Phrase("Air around it, mean"), "h_use", text.degrees),
    "ambient_max_c": (Phrase("Air around it, hottest"), "h_use", text.degrees),
    "gap_k": (Phrase("Air above the cabinet"), "h_use", text.difference),
    "lids": (Phrase("Openings"), "h_use", _count),
    "warm_load_h": (Phrase("Hours of pulling down warm goods"), "h_use", _hours),
    "stood_warm_h": (Phrase("Hours it stood warm"), "h_use", _hours),
    "dust_h": (Phrase("Hours of dust"), "h_use", _hours),
}
_GROUPS: dict[str, tuple[Phrase, tuple[str, ...]]] = {
    "cooling": (Phrase("Cooling and heat gain"), ("h_slope", "h_ratio", "h_tau")),
    "running": (Phrase("Running"), ("h_run",)),
    "cabinet": (Phrase("Thermostat and cabinet"), ("h_cabinet",)),
    "supply": (Phrase("Supply"), ("h_supply",)),
    "use": (Phrase("Use and surroundings"), ("h_use",)),
}
LEADING = ("night_slope_per_k", "capacity_ratio_k", "cooling_k_per_h", "warm_up_per_h", "duty", "path_ohm")
"""What the page of evidence shows of it."""

_WHY: Table[WhyNot] = Table(
    {
        "not_measured": "Not measured on this unit:",
        "no_ambient": "No air temperature is measured here or on a unit beside it:",
        "no_battery": "It is fed without a battery:",
        "too_little": "Too few hours or turns of the machine to tell:",
    }
)
_SOURCES: Table[str] = Table(
    {
        "air measured": "Air by its own sensor.",
        "air neighbour": "Air by the sensor of another unit at the same site.",
        "lids measured": "Openings by the switch of its lid.",
        "lids jumps": "Openings guessed from jumps of the cabinet's temperature: small ones are missed.",
        "dust driving": "Dust by the hours its engine fed it.",
        "dust charging": "Dust by the hours something charged a vehicle's battery, taken for driving.",
        "dust running": "Dust by the hours the machine ran.",
        "ah measured": "Charge by its measured current.",
        "ah file": "Charge by the running current in the fleet file: no current is measured.",
    }
)


def shown_as(feature: str) -> tuple[str, Words]:
    """Return what a number of a day is called, and how its values are told."""
    name, _key, words = _SHOWN[feature]
    return str(name), words


def groups_of(health: UnitHealth, *, only: Sequence[str] | None = None) -> list[Group]:
    """Return the numbers that any day of the span tells, in their groups; `only` some of them."""
    numbers = {number.name: number for number in health.numbers}
    found = []
    for title, keys in _GROUPS.values():
        rows = tuple(
            _row(str(name), key, words, numbers[feature], health)
            for feature, (name, key, words) in _SHOWN.items()
            if key in keys and (only is None or feature in only) and numbers[feature].last is not None
        )
        if rows:
            found.append(Group(str(title), rows))
    return found


def _row(name: str, key: str, words: Words, number: NumberOfDays, health: UnitHealth) -> Row:
    last, usual = number.last, number.usual
    told = "" if last is None else words(last.value)
    if last is not None and number.last_reason is not None:
        told = _("%(value)s on %(day)s", value=told, day=text.stamp(last.day, UTC)[:10])
    return Row(
        name=name,
        key=key,
        last=told,
        usual=_("none yet") if usual is None else _range(words(usual.low), words(usual.high)),
        line=spark(number, health.days, start_ms=health.start, end_ms=health.to),
    )


def _range(low: str, high: str) -> str:
    """Return a range with what both ends are measured in told once."""
    if low == high:
        return low
    parts = [_NUMBER.match(words) for words in (low, high)]
    if parts[0] and parts[1] and parts[0]["rest"] == parts[1]["rest"]:
        low = parts[0]["number"]
    return _("%(low)s to %(high)s", low=low, high=high)


def not_known(health: UnitHealth) -> list[str]:
    """Return a sentence for each reason why numbers are not told by any day of the span."""
    missing: dict[WhyNot, list[str]] = {}
    numbers: Mapping[str, NumberOfDays] = {number.name: number for number in health.numbers}
    for feature, (name, _key, _words) in _SHOWN.items():
        number = numbers[feature]
        if number.last is None:
            missing.setdefault(number.last_reason or "too_little", []).append(str(name).lower())
    return [f"{_WHY[why]} {', '.join(names)}." for why, names in missing.items()]


def told_by(health: UnitHealth) -> list[str]:
    """Return where air, openings, dust and charge are known from."""
    return [_SOURCES[f"{what} {source}"] for what, source in health.told_by.items()]


def compared_words(health: UnitHealth) -> str:
    """Return what the usual was learned from."""
    usual = [number.usual for number in health.numbers if number.usual is not None]
    if not usual:
        return _("Nothing is usual yet: fewer than seven plain days since the last work or description.")
    most = max(usual, key=lambda each: each.days)
    return _(
        "Usual: eight in ten of up to %(days)s days from %(first)s to %(last)s.",
        days=most.days,
        first=text.stamp(min(each.first for each in usual), UTC)[:10],
        last=text.stamp(max(each.last for each in usual), UTC)[:10],
    )


_DONE: Table[str] = Table(
    {
        "service": "work by the workshop",
        "set_point": "set point changed",
        "site": "moved to another place",
        "bank": "battery changed",
        "machine": "machine described anew",
        "wiring": "cable changed",
        "sensor": "sensor moved",
    }
)


def done_words(health: UnitHealth) -> list[str]:
    """Return the moments from which it is compared with itself anew, the newest first."""
    return [f"{text.stamp(mark.at, UTC)[:10]}: {_DONE[mark.kind]}" for mark in reversed(health.done)]
