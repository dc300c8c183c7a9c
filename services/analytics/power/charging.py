"""When something charges the bank, and when it was full, from the voltage at the unit."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import RestCurve
from services.analytics.power.frame import BoolArray, Frame
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

CHARGING_PAUSE_MS = 30 * MINUTE_MS
"""A pause in charging shorter than this does not end it."""

FED_LEAST_V = 12.8
"""A bank that is charged in earnest shows more than a full one at rest (judgement). [V at 12 V]"""

HELD_MS, HELD_FALL_V, HELD_SPREAD_V = 2 * HOUR_MS, 0.01, 0.15
"""Mean voltages of neighbouring stretches of this length that fall by less: held by a charger (judgement)."""


@dataclass(frozen=True)
class Stretches:
    """Alternating stretches of charging and not, as sample ranges ``[first, last]``."""

    first: IntArray
    last: IntArray
    charging: BoolArray


def charging_at(frame: Frame, curve: RestCurve) -> BoolArray:
    """Return where something charges the bank: the supply channel's word, else a voltage no rest shows.

    Mains may feed the cabinet and leave its battery alone, and a word may be old: it counts where the
    voltage does not speak against it.
    """
    fed = (frame.fed > 0) & ~(frame.volts_12 < FED_LEAST_V)
    seen = np.where(np.isfinite(frame.fed), fed, frame.volts_12 > curve.charging_above_v)
    if curve.held_above_v is not None:
        seen |= ~np.isfinite(frame.fed) & _held(frame, curve.held_above_v)
    return _without_pauses(frame.t_ms, seen, CHARGING_PAUSE_MS)


def _held(frame: Frame, above_v: float) -> BoolArray:
    """Return where a charger seems to hold a nearly full lithium bank: high and not falling, hour after hour.

    Its float voltage lies among its rest voltages, but a bank that feeds a load falls from there.
    """
    held = np.zeros(len(frame), dtype=np.bool_)
    at = np.flatnonzero(~frame.on & np.isfinite(frame.volts_12))
    if at.size == 0:
        return held
    block = frame.t_ms // HELD_MS
    starts = np.flatnonzero(np.diff(block[at], prepend=block[at[0]] - 1))
    lows = np.minimum.reduceat(frame.volts_12[at], starts)
    highs = np.maximum.reduceat(frame.volts_12[at], starts)
    middle = np.add.reduceat(frame.volts_12[at], starts) / np.diff(np.append(starts, at.size))
    names = block[at[starts]]
    steady = np.diff(middle) > -HELD_FALL_V
    steady &= np.diff(names) == 1
    flat = (middle > above_v) & (highs - lows < HELD_SPREAD_V)
    good = np.zeros(names.shape, dtype=np.bool_)
    good[:-1] |= steady
    if steady.size:
        good[-1] |= steady[-1]
    chosen = names[good & flat]
    return np.isin(block, chosen) if chosen.size else held


def _without_pauses(t_ms: IntArray, flags: BoolArray, pause_ms: int) -> BoolArray:
    """Return flags with every pause up to `pause_ms` between two set stretches filled."""
    at = np.flatnonzero(flags)
    if at.size < 2:  # noqa: PLR2004 - a pause has two ends
        return flags
    short = (np.diff(at) > 1) & (np.diff(t_ms[at]) <= pause_ms)
    change = np.zeros(flags.size + 1, dtype=np.int64)
    np.add.at(change, at[:-1][short], 1)
    np.add.at(change, at[1:][short], -1)
    return np.asarray(flags | (np.cumsum(change)[:-1] > 0), dtype=np.bool_)


def stretches_of(flags: BoolArray) -> Stretches:
    """Return the stretches of equal flags."""
    if flags.size == 0:
        nothing = np.empty(0, dtype=np.int64)
        return Stretches(nothing, nothing, flags)
    first = np.concatenate([[0], np.flatnonzero(flags[1:] != flags[:-1]) + 1]).astype(np.int64)
    last = np.concatenate([first[1:] - 1, [flags.size - 1]]).astype(np.int64)
    return Stretches(first, last, flags[first])


def full_charges_ms(t_ms: IntArray, volts_12: FloatArray, curve: RestCurve) -> IntArray:
    """Return when the bank was full: absorption voltage reached, and charging held on as its chemistry needs.

    For lead-acid two hours from first reaching absorption to the end of charging, float included, since a
    charger lowers its voltage only when the current has tapered; float alone hides a dead battery. For
    lithium iron phosphate reaching it is enough.

    Parameters
    ----------
    t_ms : (n,) int64
        Times, strictly increasing. [ms]
    volts_12 : (n,) float64
        Voltage, at 12 V nominal. [V]
    curve : RestCurve
        Names the voltage and how long it must hold.

    Returns
    -------
    (m,) int64
        End of each full charge; stretches within 12 h of each other are one. [ms]
    """
    absorbing = np.asarray(volts_12 >= curve.full_above_v, dtype=np.bool_)
    if not bool(np.any(absorbing)):
        return np.empty(0, dtype=np.int64)
    floating = np.asarray(volts_12 > curve.charging_above_v, dtype=np.bool_)
    held = absorbing if curve.full_hold_s == 0 else floating
    parts = stretches_of(_without_pauses(t_ms, held, CHARGING_PAUSE_MS))
    first_high = np.flatnonzero(absorbing)
    place = np.searchsorted(first_high, parts.first)
    reached = np.append(first_high, t_ms.size)[place]
    inside = parts.charging & (reached <= parts.last)
    since = t_ms[parts.last] - t_ms[np.minimum(reached, t_ms.size - 1)]
    long = inside & (since >= 1000.0 * curve.full_hold_s)
    ends, starts = t_ms[parts.last[long]], t_ms[parts.first[long]]
    if ends.size == 0:
        return np.asarray(ends, dtype=np.int64)
    apart = np.concatenate([starts[1:] - ends[:-1] > DAY_MS // 2, [True]])
    return np.asarray(ends[apart], dtype=np.int64)


def absorption_starts_ms(
    t_ms: IntArray, volts_12: FloatArray, charging: BoolArray, curve: RestCurve
) -> IntArray:
    """Return when each stretch of charging first reached absorption voltage [ms]."""
    high = np.flatnonzero(charging & (volts_12 >= curve.full_above_v))
    if high.size == 0:
        return np.empty(0, dtype=np.int64)
    stretch = np.cumsum(np.concatenate([[False], charging[1:] != charging[:-1]]))[high]
    first = np.concatenate([[True], stretch[1:] != stretch[:-1]])
    return np.asarray(t_ms[high[first]], dtype=np.int64)
