"""Why a compressor cut out, with the evidence spelt out; more than one answer is said to be possible."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.power.curves import RestCurve, curve_of, soc_at_rest
from services.analytics.power.cutouts import Event, Threshold
from services.analytics.power.frame import Frame
from services.analytics.power.resistance import expected_ohm
from services.domain import Cutout, UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, MINUTE_MS, iso_of

Cause = Literal[
    "battery_flat", "battery_weak", "wiring", "charging", "limits", "supply_interrupted", "unit", "unknown"
]

HEALTHY_SOC = 0.4
"""A rest voltage from here up does not explain a cut-out (judgement, no source)."""
HALF_SOC = 0.5
EXCESS_OHM = 0.1
"""A supply path this far above what its cable explains is worth looking at (judgement, no source)."""
WEAK_SHARE = 0.4
"""Less than this share of the label delivered since full: weak, not merely flat (judgement)."""
UNFILLED_MS = 7 * DAY_MS
"""A lead-acid battery not full for a week: incomplete recharge is the usual cause of early loss."""
REST_FROM_MS = 2 * MINUTE_MS
REST_TO_MS = 15 * MINUTE_MS


@dataclass(frozen=True)
class Background:
    """What is known around the events of one log."""

    frame: Frame
    settings: UnitSettings
    threshold: Threshold
    ah: FloatArray
    """Charge drawn from the bank since the first sample. [Ah]"""
    full_ms: IntArray
    measured_ah: float | None
    """Capacity as counted between rest voltages. [Ah]"""
    charged: bool
    """Whether charging was seen at all."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """The voltages around one stop."""

    v_on: float | None
    rebound: float | None
    rest: float | None
    ohm: float | None
    soc: float | None


def cutout_of(event: Event, background: Background, *, as_of_ms: int) -> Cutout:
    """Return an event as the trade speaks of it: voltages, cause, certainty, reason."""
    frame = background.frame
    seen = _seen(event, background)
    cause, why = _cause(event, seen, background)
    end_ms = as_of_ms if event.end_ms is None else event.end_ms
    scale = frame.volt_scale
    proven = event.locked or event.attempts > 0
    certain = event.kind == "interrupted" or (
        event.kind == "low_voltage" and seen.rebound is not None and proven
    )
    return Cutout(
        start=event.start_ms,
        end=event.end_ms,
        end_reason=None if event.end_ms is not None else f"cooling has not resumed by {iso_of(as_of_ms)}",
        voltage_v=None if seen.v_on is None else round(seen.v_on * scale, 3),
        voltage_v_reason="no voltage was measured under load" if seen.v_on is None else None,
        rebound_v=None if seen.rebound is None else round(seen.rebound * scale, 3),
        rebound_v_reason="no voltage was measured after the stop" if seen.rebound is None else None,
        cause=cause,
        certainty="certain" if certain else "probable",
        minutes_without_cooling=max(0.0, (end_ms - event.start_ms - event.attempt_ms) / MINUTE_MS),
        why=why,
    )


def _finite(value: float) -> float | None:
    """Return a number, or None for one that was not measured."""
    return float(value) if np.isfinite(value) else None


def _seen(event: Event, background: Background) -> _Seen:
    """Read the voltages around a stop."""
    frame, settings = background.frame, background.settings
    v_on = _last_on_v(event, frame)
    if event.off_at is None or event.kind in ("silence", "interrupted"):
        return _Seen(v_on, None, None, None, None)
    v_off = _finite(float(np.fmax(frame.volts_12[event.off_at], _second_off_v(event, frame))))
    rebound = None if v_on is None or v_off is None else v_off - v_on
    ohm = None
    if rebound is not None and not settings.unit.compressor.variable_speed:
        ohm = rebound * frame.volt_scale / settings.running_a
    curve, _ = curve_of(settings)
    rest = _rest_v(event, frame, curve.charging_above_v)
    rest = v_off if rest is None else rest
    return _Seen(v_on, rebound, rest, ohm, None if rest is None else float(soc_at_rest(rest, curve)))


def _last_on_v(event: Event, frame: Frame) -> float | None:
    """Return the last voltage under load, of the sample before where the last one lacks it."""
    for at in (event.on_at, max(0, event.on_at - 1)):
        if frame.on[at] and np.isfinite(frame.volts_12[at]):
            return float(frame.volts_12[at])
    return None


def _second_off_v(event: Event, frame: Frame) -> float:
    """Return the voltage one sample after the first one off, NaN where there is none."""
    at = (0 if event.off_at is None else event.off_at) + 1
    if at >= len(frame) or frame.on[at]:
        return float("nan")
    return float(frame.volts_12[at])


def _rest_v(event: Event, frame: Frame, charging_above_v: float) -> float | None:
    """Return the median voltage a few minutes into the stop, with nothing running or charging [V at 12 V]."""
    low, high = np.searchsorted(frame.t_ms, [event.start_ms + REST_FROM_MS, event.start_ms + REST_TO_MS])
    stop = int(high) if event.end_at is None else min(int(high), event.end_at)
    still = ~frame.on[low:stop] & (frame.volts_12[low:stop] <= charging_above_v)
    return float(np.median(frame.volts_12[low:stop][still])) if bool(np.any(still)) else None


def _cause(event: Event, seen: _Seen, background: Background) -> tuple[Cause, str]:
    """Return the likeliest cause and what speaks for it."""
    if event.kind == "interrupted":
        return (
            "supply_interrupted",
            "The voltage at the unit fell to nothing: plug, fuse or isolator; go and look.",
        )
    if event.kind == "unit":
        volts = "" if seen.v_on is None else f" of {seen.v_on * background.frame.volt_scale:.2f} V"
        return "unit", (
            f"It stayed still while warm with a normal voltage{volts}: check the unit itself, its air and its"
            " thermostat. Switched off or set warmer by hand looks the same, and so does a cut-out set above"
            " that voltage."
        )
    if event.kind == "silence":
        return _silence_cause(seen, background)
    if event.kind == "still":
        return _still_cause(seen, background)
    return _low_voltage_cause(event, seen, background)


def _silence_cause(seen: _Seen, background: Background) -> tuple[Cause, str]:
    """Return what a silence may mean, by the last voltage under load."""
    limit = background.threshold.volts_12
    scale = background.frame.volt_scale
    if seen.v_on is not None and seen.v_on <= limit + 0.5 and background.settings.has_battery:
        return "battery_flat", (
            f"Nothing was heard after {seen.v_on * scale:.2f} V under load, near the cut-out of"
            f" {limit * scale:.2f} V: the battery probably went flat and took the radio with it."
        )
    return "supply_interrupted", (
        "Nothing was heard and the cabinet came back warm, with no low voltage before: plug, fuse, isolator,"
        " a battery's own protection, or switched off by hand."
    )


def _still_cause(seen: _Seen, background: Background) -> tuple[Cause, str]:
    """Return what a compressor that stood still from the first sample on may mean."""
    words = "It already stood still, warm, when these samples begin"
    if (
        seen.soc is None
        or seen.rest is None
        or seen.soc >= HEALTHY_SOC
        or not background.settings.has_battery
    ):
        return "unknown", f"{words}, and the voltage is normal: switched off, locked out, or its own fault."
    return "battery_flat", (
        f"{words}, with a voltage of {seen.rest * background.frame.volt_scale:.2f} V, about {seen.soc:.0%}"
        " charge: the battery is flat, or was when it stopped."
    )


def _low_voltage_cause(event: Event, seen: _Seen, background: Background) -> tuple[Cause, str]:
    """Return the cause of a low-voltage stop from rest voltage, resistance and charge history."""
    settings, scale = background.settings, background.frame.volt_scale
    curve, known = curve_of(settings)
    opening = _opening(event, seen, background)
    if seen.rest is None or seen.soc is None:
        return "unknown", opening + " No rest voltage after it, so battery and wiring cannot be told apart."
    rested = f" It rested at {seen.rest * scale:.2f} V, about {seen.soc:.0%} charge"
    rested += "" if known else " if the battery is flooded lead-acid"
    if seen.soc >= HEALTHY_SOC:
        return _healthy_rest_cause(event, seen, settings, opening + rested, curve)
    weak = _delivered(event, background)
    if weak is not None and weak[0] < WEAK_SHARE * weak[1]:
        return "battery_weak", (
            f"{opening}{rested}, after only {weak[0]:.0f} Ah of {weak[1]:.0f} Ah since it was last full: the"
            " battery has lost capacity, or something else draws on it."
        )
    label, measured = background.settings.bank, background.measured_ah
    if weak is None and label is not None and measured is not None and measured < 0.5 * label.capacity_ah:
        return "battery_weak", (
            f"{opening}{rested}; its rest voltage falls as if it held {measured:.0f} Ah instead of"
            f" {label.capacity_ah:.0f} Ah: the battery has lost capacity, or something else draws on it."
        )
    if _unfilled(event, background):
        return "charging", (
            f"{opening}{rested}, and it was not once full in the week before although something charged it:"
            " check the charger, its connection and the time it gets."
        )
    return "battery_flat", f"{opening}{rested}: the battery is flat."


def _opening(event: Event, seen: _Seen, background: Background) -> str:
    """Return the sentence every low-voltage stop starts with."""
    scale = background.frame.volt_scale
    level = "a low voltage" if seen.v_on is None else f"{seen.v_on * scale:.2f} V"
    words = f"It stopped at {level} under load while still warm"
    if not event.locked:
        words += " and came back before the cabinet climbed"
    if event.attempts:
        words += f", then tried {event.attempts} more times"
    words += "."
    if background.threshold.differs_from_file:
        words += (
            f" The observed cut-out, {background.threshold.volts_12 * scale:.2f} V, differs from the file."
        )
    return words


def _healthy_rest_cause(
    event: Event, seen: _Seen, settings: UnitSettings, words: str, curve: RestCurve
) -> tuple[Cause, str]:
    """Return the cause where the battery itself rests well."""
    expected = expected_ohm(settings)
    if seen.ohm is not None and seen.ohm > expected + EXCESS_OHM:
        return "wiring", (
            f"{words}, but the step of {seen.ohm * 1000:.0f} mΩ between battery and unit is far above the"
            f" {expected * 1000:.0f} mΩ its cable explains: check plug, fuse holder, joints and cable."
        )
    if seen.soc is not None and seen.soc >= HALF_SOC and seen.rest is not None:
        return "limits", (
            f"{words} and the supply path measures well: the cut-out is set too high, or the unit took its"
            " limits for another nominal voltage."
        )
    if event.attempts:
        return "wiring", f"{words}; it tried again and again: check the supply path and the restart voltage."
    low_end = curve.volts[0]
    return (
        "unknown",
        f"{words}; neither clearly flat nor clearly wiring (a flat one rests near {low_end:.1f} V).",
    )


def _delivered(event: Event, background: Background) -> tuple[float, float] | None:
    """Return the charge delivered between the last full charge and the stop, and the label [Ah]."""
    bank = background.settings.bank
    before = background.full_ms[background.full_ms <= event.start_ms]
    if bank is None or before.size == 0:
        return None
    at = int(np.searchsorted(background.frame.t_ms, before[-1]))
    return float(background.ah[event.on_at] - background.ah[at]), bank.capacity_ah


def _unfilled(event: Event, background: Background) -> bool:
    """Return whether a lead-acid bank was charged, but never full, in a whole week before the stop.

    Charging too weak to be seen as such shows in more charge drawn than the bank can hold.
    """
    bank = background.settings.bank
    if bank is None or bank.chemistry == "lifepo4":
        return False
    at = int(np.searchsorted(background.frame.t_ms, event.start_ms - UNFILLED_MS))
    drawn = float(background.ah[event.on_at] - background.ah[min(at, event.on_at)])
    if not background.charged and drawn < bank.capacity_ah:
        return False
    watched = event.start_ms - int(background.frame.t_ms[0]) >= UNFILLED_MS
    recent = background.full_ms[background.full_ms >= event.start_ms - UNFILLED_MS]
    return watched and recent.size == 0
