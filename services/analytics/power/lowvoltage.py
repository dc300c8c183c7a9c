"""Why the voltage was too low at a stop: wiring, no charge, a weak battery, limits, or simply flat.

Asked in the order of what would have had to be sound to avoid the stop: the path first, then charging, then
the battery, then the limits; what is left is a battery that is flat.
"""

import numpy as np

from services.analytics.power.background import LEAST_LOST, TOP_SOC, Background, Found, Seen
from services.analytics.power.curves import curve_of
from services.analytics.power.cutouts import Event
from services.analytics.power.path import WORN_OHM, Path, bank_ohm, path_before, path_row, sound_ohm
from services.analytics.power.threshold import Threshold
from services.analytics.power.turned import Turned
from services.domain import Evidence
from services.telemetry import IntArray
from services.timebase import DAY_MS, HOUR_MS

HALF_SOC = 0.5
"""A rest voltage from here up does not explain a cut-out (judgement, no source)."""
CHARGED_SOC = 0.7
SOUND_SOC = 0.3
"""Below it every battery sags (judgement, no source)."""
WEAK_SHARE = 0.65
"""Less of the label's capacity than this is weak. IEEE Std 450 and 1188 replace below 0.8 (from memory);
what is counted here is good to a sixth, so a sound one is not blamed."""
SAG_RATIO = 2.5
"""A battery with so many times the resistance of a sound one at its charge is weak; test from 1.3 to 1.5
on (IEEE Std 1188, from memory), but the reading holds the joints too (judgement)."""
RECENT_MS = 4 * DAY_MS
OWN_STEPS_MS = 2 * HOUR_MS
"""Attempts this long into the event speak for the path as well."""
HIGH_CUTOUT_V = 11.9
"""Upper end of usual cut-outs of 12 V electronics (common practice, no source)."""
HABIT_DAYS = 7
FEWEST_DAYS = 2
MISSED_H = 2.5
"""So many hours of usual charging must have stayed away before it is missed (judgement)."""
UNFILLED_MS = 7 * DAY_MS
"""A lead-acid battery not full for a week: incomplete recharge is the usual cause of early loss."""


def low_voltage_cause(event: Event, seen: Seen, background: Background) -> Found:
    """Return the cause of a low-voltage stop from rest voltage, path and charge history."""
    opening = _opening(event, seen, background)
    if seen.rest is None or seen.soc is None:
        words = f"{opening} No rest voltage after it, so battery and wiring cannot be told apart."
        return Found("unknown", words)
    known = curve_of(background.settings)[1]
    rested = f" It rested at {seen.rest * background.frame.volt_scale:.2f} V, about {seen.soc:.0%} charge" + (
        "" if known else " if the battery is flooded lead-acid"
    )
    rows = (_rest_row(seen, background),)
    for question in (_wiring, _uncharged, _weak, _high_limit, _sagging, _good_rest, _unfilled):
        answer = question(event, seen, background)
        if answer is not None:
            return Found(answer.cause, opening + rested + answer.why, rows + answer.evidence)
    return Found("battery_flat", f"{opening}{rested}: the battery is flat.", rows)


def _rest_row(seen: Seen, background: Background) -> Evidence:
    scale = background.frame.volt_scale
    half_v = background.curve.volts[5] * scale
    rest_v = 0.0 if seen.rest is None else seen.rest * scale
    below = rest_v < half_v
    return Evidence(
        quantity="voltage at rest after it",
        value=round(rest_v, 3),
        operator="<" if below else ">=",
        threshold=round(half_v, 3),
        unit="V",
        source=f"half charge by the rest curve: {background.curve.source}",
    )


def _opening(event: Event, seen: Seen, background: Background) -> str:
    """Return the sentence every low-voltage stop starts with."""
    scale = background.frame.volt_scale
    level = "a low voltage" if seen.v_on is None else f"{seen.v_on * scale:.2f} V"
    words = f"It stopped at {level} under load while still warm"
    if event.unseen:
        words = f"It did not start again in time after {level} under load"
    elif not event.locked:
        words += " and came back before the cabinet climbed"
    if event.attempts:
        words += f", then tried {event.attempts} more times"
    words += "."
    threshold = background.threshold
    if threshold.differs_from_file:
        words += f" The observed cut-out, {threshold.volts_12 * scale:.2f} V, differs from the file."
    turned = _turned(event, threshold)
    if turned is not None:
        words += f" It stopped at {turned.volts_12 * scale:.2f} V again and again: above the file's."
    return words


def _turned(event: Event, threshold: Threshold) -> Turned | None:
    """Return the cut-out somebody had turned up, where it was in force."""
    turned = threshold.turned_at(event.start_ms)
    return turned if turned is not None and turned.volts_12 > threshold.volts_12 else None


def path_of(event: Event, seen: Seen, background: Background) -> Path | None:
    """Return the supply path shortly before an event; None where it cannot be told.

    Without usable stops in three days the event's own step stands for them, if the battery was charged.
    """
    settings = background.settings
    if settings.unit.compressor.variable_speed and not bool(np.any(np.isfinite(background.frame.current_a))):
        return None
    at_ms = event.start_ms + OWN_STEPS_MS
    if event.end_ms is not None:
        at_ms = min(at_ms, event.end_ms)
    path = path_before(background.steps, settings, background.curve, at_ms=at_ms)
    charged = seen.soc is not None and seen.soc >= CHARGED_SOC
    if path is None and charged and seen.rebound is not None and seen.rest is not None:
        battery = bank_ohm(seen.rest, settings, background.curve)
        ohm = seen.rebound * background.frame.volt_scale / settings.running_a
        return Path(ohm, sound_ohm(settings) + battery, battery, 1)
    return path


def _wiring(event: Event, seen: Seen, background: Background) -> Found | None:
    """Return wiring where a sound path would have kept the unit above its cut-out."""
    path, settings = path_of(event, seen, background), background.settings
    scale = background.frame.volt_scale
    if path is not None and settings.bank is not None:
        path = path.with_capacity(_held_ah(event, seen, background), settings.bank.capacity_ah)
    if path is None or not path.worn(scale) or _turned(event, background.threshold) is not None:
        return None
    loaded_v = seen.v_on
    if loaded_v is not None and not event.unseen:
        with_sound_v = loaded_v + path.excess_ohm * settings.running_a / scale
        if with_sound_v < background.threshold.volts_12 + 0.02:
            return None
    if path.wires_ohm is not None:
        sound = path.expected_ohm - path.battery_ohm
        words = (
            f", but cable and joints, measured at both ends, have {path.wires_ohm * 1000:.0f} mΩ, sound ones"
            f" {sound * 1000:.0f} mΩ: check plug, fuse holder, joints and cable."
        )
        return Found("wiring", words, (path_row(path, scale),))
    return Found(
        "wiring",
        (
            f", but the step of {path.ohm * 1000:.0f} mΩ between battery and unit ({path.steps} stops) is far"
            f" above the {path.expected_ohm * 1000:.0f} mΩ that its cable, good joints and a sound battery"
            " explain: check plug, fuse holder, joints and cable."
        ),
        (path_row(path, scale),),
    )


def _uncharged(event: Event, _seen: Seen, background: Background) -> Found | None:
    """Return charging where it came at these hours on the days before and has stayed away."""
    starts, ends = background.charges_ms
    past = int(np.searchsorted(starts, event.start_ms))
    if past == 0 or ends[past - 1] >= event.start_ms:
        return None
    since_ms = int(ends[past - 1])
    missed_h = _missed_h(starts[:past], ends[:past], since_ms=since_ms, until_ms=event.start_ms)
    if missed_h < MISSED_H:
        return None
    row = Evidence(
        quantity="charging that usually comes in the time since the last",
        value=round(missed_h, 2),
        operator=">=",
        threshold=MISSED_H,
        unit="h",
        source="mean over the same hours of up to seven days before (judgement)",
    )
    waited_h = (event.start_ms - since_ms) / HOUR_MS
    return Found(
        "charging",
        (
            f". Nothing charged it for {waited_h:.0f} h, in which {missed_h:.1f} h of charging would have"
            " been usual: check charger, relay, panel and their fuses, or did the vehicle stand?"
        ),
        (row,),
    )


def _missed_h(starts: IntArray, ends: IntArray, *, since_ms: int, until_ms: int) -> float:
    """Return how many hours of charging would have been usual between two instants [h].

    The first day after the last charging is compared with the same hours of up to seven days before it.
    """
    until_ms = min(until_ms, since_ms + DAY_MS)
    first_ms = int(starts[0])
    days = min(HABIT_DAYS, int((since_ms - first_ms) // DAY_MS))
    if days < FEWEST_DAYS:
        return 0.0
    total = 0.0
    for day in range(1, days + 1):
        low, high = since_ms - day * DAY_MS, until_ms - day * DAY_MS
        inside = np.minimum(ends, high) - np.maximum(starts, low)
        total += float(np.sum(np.maximum(inside, 0)))
    return total / days / HOUR_MS


def _weak(event: Event, seen: Seen, background: Background) -> Found | None:
    """Return a weak battery where it gave little since it was full, or its rest voltage falls too fast."""
    bank = background.settings.bank
    if bank is None or seen.soc is None:
        return None
    shown, held = _shown_ah(event, seen, background), _held_ah(event, seen, background)
    if held is None or held >= WEAK_SHARE * bank.capacity_ah:
        return None
    words = (
        f"; from full to there it gave as much as one of {held:.0f} Ah instead of"
        if shown is not None
        else f"; its rest voltage falls as if it held {held:.0f} Ah instead of"
    )
    row = Evidence(
        quantity="capacity it showed",
        value=round(held, 2),
        operator="<",
        threshold=round(WEAK_SHARE * bank.capacity_ah, 2),
        unit="Ah",
        source="share of the label under which it is weak (judgement; IEEE 450 and 1188: 0.8, from memory)",
    )
    tail = f" {bank.capacity_ah:.0f} Ah. The battery has lost capacity, or something else draws on it."
    if background.frame.volt_scale > 1.0:
        tail += (
            " Measure each 12 V half at rest: more than 0.2 V apart (judgement), one half is worn, or 12 V"
            " are taken from it."
        )
    return Found("battery_weak", words + tail, (row,))


def _held_ah(event: Event, seen: Seen, background: Background) -> float | None:
    """Return the capacity that discharges or rest voltages show [Ah]."""
    shown = _shown_ah(event, seen, background)
    return background.measured_ah if shown is None else shown


def _shown_ah(event: Event, seen: Seen, background: Background) -> float | None:
    """Return the capacity that the last few discharges from a full bank showed, this one included [Ah]."""
    times, shown = background.discharges
    first, last = np.searchsorted(times, [event.start_ms - RECENT_MS, event.start_ms])
    values = [float(value) for value in shown[first:last][-2:]]
    own = _own_ah(event, seen, background)
    if own is not None:
        values.append(own)
    return float(np.median(values)) if values else None


def _own_ah(event: Event, seen: Seen, background: Background) -> float | None:
    """Return the capacity that the discharge into this stop shows [Ah]."""
    starts, ends = background.charges_ms
    past = int(np.searchsorted(ends, event.start_ms, side="right"))
    if past == 0 or seen.soc is None or not background.topped[past - 1]:
        return None
    if past < starts.size and starts[past] <= event.start_ms:
        return None
    lost = TOP_SOC - seen.soc
    at = int(np.searchsorted(background.frame.t_ms, ends[past - 1]))
    given = float(background.ah[event.on_at] - background.ah[at])
    return given / lost if lost >= LEAST_LOST else None


def _sagging(event: Event, seen: Seen, background: Background) -> Found | None:
    """Return a weak battery where it sags under load far more than a sound one at its charge."""
    settings, scale = background.settings, background.frame.volt_scale
    if settings.bank is None or settings.unit.compressor.variable_speed or event.unseen:
        return None
    if seen.rebound is None or seen.rest is None or seen.soc is None or seen.soc < SOUND_SOC:
        return None
    path = path_of(event, seen, background)
    wires = None if path is None else path.wires_ohm
    own_ohm = seen.rebound * scale / settings.running_a - (sound_ohm(settings) if wires is None else wires)
    sound = bank_ohm(seen.rest, settings, background.curve)
    if own_ohm <= SAG_RATIO * sound:
        return None
    row = Evidence(
        quantity="resistance beyond cable and joints at the stop",
        value=round(own_ohm, 4),
        operator=">",
        threshold=round(SAG_RATIO * sound, 4),
        unit="Ω",
        source="two and a half times a sound battery's at its charge (judgement)",
    )
    sag = f"under load it sagged by {seen.rebound * scale:.2f} V"
    if wires is None and seen.soc >= CHARGED_SOC and own_ohm - sound > WORN_OHM * scale**2:
        words = f", but {sag}, which no charged battery does: check plug, fuse holder, joints and cable."
        return Found("wiring", words, (row,))
    return Found("battery_weak", f"; {sag}, more than a sound battery does: test it.", (row,))


def _high_limit(event: Event, _seen: Seen, background: Background) -> Found | None:
    """Return limits where the cut-out in force lies above every usual one."""
    limit, scale = background.threshold.at(event.start_ms), background.frame.volt_scale
    lithium = background.settings.bank is not None and background.settings.bank.chemistry == "lifepo4"
    if limit <= HIGH_CUTOUT_V or lithium:
        return None
    row = Evidence(
        quantity="cut-out in force",
        value=round(limit * scale, 3),
        operator=">",
        threshold=round(HIGH_CUTOUT_V * scale, 3),
        unit="V",
        source="upper end of usual cut-outs of 12 V electronics, common practice, no source",
    )
    return Found("limits", f" with a cut-out of {limit * scale:.2f} V: it is set too high.", (row,))


def _good_rest(event: Event, seen: Seen, background: Background) -> Found | None:
    """Return limits where the battery rests well and the path measures well."""
    if seen.soc is None or seen.soc < HALF_SOC or event.unseen:
        return None
    limit = background.threshold.at(event.start_ms) * background.frame.volt_scale
    return Found(
        "limits",
        (
            f" and the supply path measures well: the cut-out of {limit:.2f} V is set too high, or the unit"
            " took its limits for another nominal voltage."
        ),
    )


def _unfilled(event: Event, _seen: Seen, background: Background) -> Found | None:
    """Return charging where a lead-acid bank was charged, but never full, in a whole week before the stop.

    Charging too weak to be seen as such shows in more charge drawn than the bank can hold.
    """
    bank = background.settings.bank
    if bank is None or bank.chemistry == "lifepo4":
        return None
    at = int(np.searchsorted(background.frame.t_ms, event.start_ms - UNFILLED_MS))
    drawn = float(background.ah[event.on_at] - background.ah[min(at, event.on_at)])
    if not background.charged and drawn < bank.capacity_ah:
        return None
    watched = event.start_ms - int(background.frame.t_ms[0]) >= UNFILLED_MS
    recent = background.full_ms[background.full_ms >= event.start_ms - UNFILLED_MS]
    if not watched or recent.size:
        return None
    return Found(
        "charging",
        (
            ", and it was not once full in the week before although something charged it: check the charger,"
            " its connection and the time it gets."
        ),
    )
