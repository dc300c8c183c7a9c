"""Why a compressor cut out, with the evidence spelt out; more than one answer is said to be possible."""

import numpy as np

from services.analytics.power.background import Background, Found, Seen
from services.analytics.power.curves import soc_at_rest
from services.analytics.power.cutouts import DEAD_V, Event
from services.analytics.power.frame import Frame
from services.analytics.power.lowvoltage import low_voltage_cause, path_of
from services.analytics.power.path import path_row
from services.analytics.power.threshold import LOWEST_CUTOUT_V
from services.domain import Cutout
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, iso_of

__all__ = ["Background", "cutout_of"]

HEALTHY_SOC = 0.4
"""A rest voltage from here up does not explain why it stands (judgement, no source)."""
STARTING_RATIO = 2.0
"""Current of a start over that of running, with the soft start of small machines (judgement)."""
SAME_HOUR_MS = HOUR_MS
FEWEST_NIGHTS = 3
"""Silences beginning at the same hour on so many days are the generator's habit (judgement)."""
REST_FROM_MS = 2 * MINUTE_MS
REST_TO_MS = 15 * MINUTE_MS


def cutout_of(event: Event, background: Background, *, as_of_ms: int) -> Cutout:
    """Return an event as the trade speaks of it: voltages, cause, certainty, reason."""
    frame = background.frame
    seen = _seen(event, background)
    found = _found(event, seen, background)
    end_ms = as_of_ms if event.end_ms is None else event.end_ms
    scale = frame.volt_scale
    warmed_k = _warmed_k(event, frame)
    proven = (event.locked or event.attempts > 0) and not event.unseen
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
        cause=found.cause,
        certainty="certain" if certain else "probable",
        minutes_without_cooling=max(0.0, (end_ms - event.start_ms - event.attempt_ms) / MINUTE_MS),
        warmed_k=warmed_k,
        warmed_k_reason="no cabinet temperature was measured in it" if warmed_k is None else None,
        attempts=event.attempts,
        evidence=found.evidence,
        why=found.why,
    )


def _finite(value: float) -> float | None:
    """Return a number, or None for one that was not measured."""
    return float(value) if np.isfinite(value) else None


def _warmed_k(event: Event, frame: Frame) -> float | None:
    """Return how far the cabinet rose within an event, against where it was when it began [K]."""
    low = int(np.searchsorted(frame.t_ms, event.start_ms))
    high = len(frame) if event.end_at is None else event.end_at + 1
    inside = frame.cabinet_c[low:high]
    known = inside[np.isfinite(inside)]
    return None if known.size == 0 else round(max(0.0, float(np.max(known)) - float(known[0])), 3)


def _seen(event: Event, background: Background) -> Seen:
    """Read the voltages around a stop."""
    frame = background.frame
    v_on = _last_on_v(event, frame)
    if event.off_at is None or event.kind in ("silence", "interrupted"):
        return Seen(v_on, None, None, None)
    v_off = _finite(float(np.fmax(frame.volts_12[event.off_at], _second_off_v(event, frame))))
    rebound = None if v_on is None or v_off is None else v_off - v_on
    rest = _rest_v(event, frame, background.curve.charging_above_v)
    rest = v_off if rest is None else rest
    return Seen(v_on, rebound, rest, None if rest is None else float(soc_at_rest(rest, background.curve)))


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


def _found(event: Event, seen: Seen, background: Background) -> Found:
    """Return the likeliest cause and what speaks for it."""
    if event.kind == "interrupted":
        return _interrupted(event, background)
    if event.kind == "unit":
        return _unit(event, seen, background)
    if event.kind == "silence":
        return _silence(event, seen, background)
    if event.kind == "still":
        return _still(seen, background)
    return low_voltage_cause(event, seen, background)


def _interrupted(event: Event, background: Background) -> Found:
    """Return what a voltage of nothing may mean, by the voltages before it."""
    frame, scale = background.frame, background.frame.volt_scale
    low = max(0, event.on_at - 5)
    before = frame.volts_12[low : event.on_at + 1]
    before = before[np.isfinite(before) & (before > DEAD_V)]
    lowest_v = float(np.min(before)) if before.size else np.inf
    empty_v = max(background.threshold.volts_12, background.curve.volts[1])
    if background.settings.has_battery and lowest_v <= empty_v:
        return Found(
            "battery_flat",
            f"The voltage at the unit fell to nothing after {lowest_v * scale:.2f} V: the battery is flat,"
            " and a lithium one's own protection has opened. A plug, fuse or isolator may look the same.",
        )
    return Found(
        "supply_interrupted",
        "The voltage at the unit fell to nothing from a good level: plug, fuse or isolator, or a lithium"
        " battery's own protection; go and look.",
    )


def _unit(event: Event, seen: Seen, background: Background) -> Found:
    """Return what a stand at normal voltage may mean: the unit, or a path over which no start succeeds."""
    scale = background.frame.volt_scale
    path = path_of(event, seen, background)
    if path is not None and path.worn(scale) and seen.rest is not None:
        dip_v = STARTING_RATIO * path.ohm * background.settings.running_a / scale
        if seen.rest - dip_v < LOWEST_CUTOUT_V:
            return Found(
                "wiring",
                f"It did not start again although the voltage rested at {seen.rest * scale:.2f} V: over"
                f" {path.ohm * 1000:.0f} mΩ between battery and unit a start pulls it down by"
                f" {dip_v * scale:.1f} V. Check plug, fuse holder, joints and cable.",
                (path_row(path, scale),),
            )
    if seen.v_on is None and seen.rest is None and background.settings.has_battery:
        return Found(
            "unknown",
            "It stayed still while warm, and no voltage is known: supply and unit cannot be told apart.",
        )
    volts = "" if seen.v_on is None else f" of {seen.v_on * scale:.2f} V"
    return Found(
        "unit",
        f"It stayed still while warm with a normal voltage{volts}: check the unit itself, its air and its"
        " thermostat. Switched off or set warmer by hand looks the same, and so does a cut-out set above"
        " that voltage.",
    )


def _silence(event: Event, seen: Seen, background: Background) -> Found:
    """Return what a silence may mean, by the last voltage under load or by what feeds the unit."""
    kind = background.settings.unit.supply.kind
    if not background.settings.has_battery and kind in ("generator", "mains"):
        return Found("supply_interrupted", _off_words(event, background, kind))
    limit = background.threshold.volts_12
    scale = background.frame.volt_scale
    if seen.v_on is not None and seen.v_on <= limit + 0.5 and background.settings.has_battery:
        return Found(
            "battery_flat",
            f"Nothing was heard after {seen.v_on * scale:.2f} V under load, near the cut-out of"
            f" {limit * scale:.2f} V: the battery probably went flat and took the radio with it.",
        )
    return Found(
        "supply_interrupted",
        "Nothing was heard and the cabinet came back warm, with no low voltage before: plug, fuse, isolator,"
        " a battery's own protection, or switched off by hand.",
    )


def _off_words(event: Event, background: Background, kind: str) -> str:
    """Return what to say of a generator or mains that gave nothing, with whether it does so every day."""
    settings, same = background.settings, 0
    frame = background.frame
    for at in np.flatnonzero(frame.broken).tolist():
        away_ms = (event.start_ms - int(frame.t_ms[at])) % DAY_MS
        same += min(away_ms, DAY_MS - away_ms) <= SAME_HOUR_MS
    words = f"Nothing was heard and the cabinet came back warm: the {kind} gave nothing"
    if kind == "generator" and same >= FEWEST_NIGHTS:
        words += ", as on other days at this hour. Cool it down before the generator stops, and keep it shut"
    else:
        words += ", or plug, fuse or switch: go and look"
    return f"{words}. A start that fails as it comes back low is not {settings.name}'s compressor's fault."


def _still(seen: Seen, background: Background) -> Found:
    """Return what a compressor that stood still from the first sample on may mean."""
    words = "It already stood still, warm, when these samples begin"
    flat = seen.soc is not None and seen.soc < HEALTHY_SOC and background.settings.has_battery
    if seen.rest is None and background.settings.has_battery:
        return Found("unknown", f"{words}, and no voltage is known.")
    if seen.rest is None or not flat:
        return Found(
            "unknown", f"{words}, and the voltage is normal: switched off, locked out, or its own fault."
        )
    return Found(
        "battery_flat",
        f"{words}, with a voltage of {seen.rest * background.frame.volt_scale:.2f} V, about {seen.soc:.0%}"
        " charge: the battery is flat, or was when it stopped.",
    )
