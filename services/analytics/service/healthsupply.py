"""What a day says of a unit's supply: voltages, the path to its battery, current, charge and charging."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.charge import load_a
from services.analytics.power.charging import charging_at, full_charges_ms
from services.analytics.power.curves import curve_of
from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.load import standby_a
from services.analytics.power.resistance import stop_steps
from services.analytics.service.healthgrid import Days, between_hours
from services.analytics.service.healthheat import Seen
from services.analytics.service.work import days_of
from services.domain import DustFrom, UnitSettings, WorkDay
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS

DAWN_FROM_H, DAWN_TO_H = 4, 6
"""The last two hours of the night by the site's clock, near the equator (judgement)."""
FEWEST_READINGS = 10
FULL_BEFORE_MS = 6 * HOUR_MS
"""A charge that began so long before midnight still counts as the day's (judgement)."""


@dataclass(frozen=True)
class Supplied:
    """Numbers of days that come from the supply."""

    numbers: dict[str, FloatArray]
    dust_from: DustFrom


def supplied(series: Series, seen: Seen, settled: BoolArray) -> Supplied:
    """Return what each day says of the supply.

    Parameters
    ----------
    series : Series
        The samples of the frame with the supply channel, where there is one.
    seen : Seen
        Samples with a known compressor state, counted through.
    settled : (n,) bool
        Where the machine has run for some minutes.
    """
    frame, runs, settings, days, place = seen.frame, seen.runs, seen.settings, seen.days, seen.place
    charging = charging_at(frame, curve_of(settings)[0])
    steps = stop_steps(frame, runs, settings)
    held_ms = seen.held_ms
    numbers = _current(frame, days, place, settled)
    dusty, dust_from = _dust(series, frame, settings, charging)
    numbers["dust_h"] = days.hours(place, held_ms * dusty)
    if not settings.has_battery:
        return Supplied(numbers, dust_from)
    numbers |= _from_bench(days, days_of(frame, runs, steps, charging, settings))
    measured_a = numbers["running_a"]
    numbers["sag_v"] = numbers["path_ohm"] * np.where(np.isfinite(measured_a), measured_a, settings.running_a)
    alone = settings.model_copy(update={"units_on_bank": 1, "bank": None})
    amps = load_a(frame, alone) + standby_a(frame, settings)
    numbers["ah"] = days.hours(place, np.round(1000.0 * amps) * held_ms) / 1000.0
    if bool(np.any(np.isfinite(frame.volts_12))):
        dawn = between_hours(seen.hour, DAWN_FROM_H, DAWN_TO_H) & ~charging & ~frame.on
        volts = np.where(dawn, frame.volts_12 * frame.volt_scale, np.nan)
        numbers["dawn_v"] = days.middle(place, volts, FEWEST_READINGS)
        numbers["charging_h"] = days.hours(place, held_ms * charging)
        numbers["full"] = _full(frame, settings, days)
    return Supplied(numbers, dust_from)


def _current(frame: Frame, days: Days, place: IntArray, settled: BoolArray) -> dict[str, FloatArray]:
    """Return running current, its scatter, and the voltage it was drawn at."""
    amps = np.where(settled, frame.current_a, np.nan)
    middle = days.middle(place, amps, FEWEST_READINGS)
    off = np.abs(amps - np.append(middle, np.nan)[place])
    volts = np.where(np.isfinite(amps), frame.volts_12 * frame.volt_scale, np.nan)
    return {
        "running_a": middle,
        "running_a_sd": 1.4826 * days.middle(place, off, FEWEST_READINGS),
        "running_v": days.middle(place, volts, FEWEST_READINGS),
    }


def _full(frame: Frame, settings: UnitSettings, days: Days) -> FloatArray:
    """Return 1 for days on which the bank was charged full, or held so, else 0; NaN without a voltage.

    Each day is looked at with the hours before it alone: a bank held by a charger is full on each.
    """
    known = np.isfinite(frame.volts_12)
    t_ms, volts, curve = frame.t_ms[known], frame.volts_12[known], curve_of(settings)[0]
    found = np.full(days.count, np.nan)
    ends = days.day_ms + DAY_MS
    parts = np.searchsorted(t_ms, np.stack([days.day_ms - FULL_BEFORE_MS, days.day_ms, ends]))
    for number, (low, first, end) in enumerate(parts.T.tolist()):
        if end > first:
            full_ms = full_charges_ms(t_ms[low:end], volts[low:end], curve)
            found[number] = float(bool(np.any(full_ms >= days.day_ms[number])))
    return found


def _from_bench(days: Days, worked: tuple[WorkDay, ...]) -> dict[str, FloatArray]:
    """Return what the bench counts of the supply, day by day."""
    names = ("rest_v", "loaded_v", "path_ohm", "path_stops")
    found = {name: np.full(days.count, np.nan) for name in names}
    for day in worked:
        number = (day.day - days.start_ms) // DAY_MS
        for name in names if 0 <= number < days.count else ():
            value = getattr(day, name)
            found[name][number] = np.nan if value is None else value
    return found


def _dust(
    series: Series, frame: Frame, settings: UnitSettings, charging: BoolArray
) -> tuple[BoolArray, DustFrom]:
    """Return where dust is drawn in: driving where that is known, else wherever the machine runs.

    A vehicle without a word of its engine is taken to drive while something charges its bank: camps charge
    parked vehicles too, so the hours are rather too many.
    """
    vehicle = settings.site is not None and settings.site.kind == "vehicle"
    if vehicle and series.has("supply"):
        words = series.texts("supply")[np.isfinite(series.numbers("compressor_on"))]
        said = np.array([word is not None for word in words], dtype=np.bool_)
        last = np.maximum.accumulate(np.where(said, np.arange(words.size), -1))
        return np.asarray((last >= 0) & (words[last] == "engine"), dtype=np.bool_), "driving"
    if vehicle and settings.has_battery and bool(np.any(np.isfinite(frame.volts_12))):
        return charging, "charging"
    return frame.on, "running"
