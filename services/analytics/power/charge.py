"""How full the bank is: charge counted from the runs, corrected by rest voltage and full charges."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.charging import charging_at, full_charges_ms, stretches_of
from services.analytics.power.curves import CURVES, curve_of, soc_at_rest
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.domain import Quantiles, UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, datetime_of

Z10 = 1.2815515655446004
"""The standard normal quantile of nine in ten."""

LOOK_BACK_MS = 30 * DAY_MS
SURFACE_MS = 4 * HOUR_MS
"""Surface charge reads high for hours after charging (common practice, no source)."""
SURFACE_SHARE = 0.05
"""Drawing this share of the capacity takes surface charge away as well (judgement, no source)."""
NEWEST_RESTS = 12
LEAST_REST_MS = 5 * MINUTE_MS
RELAXATION_V = 0.02
"""What a lead-acid battery still recovers after minutes of rest (judgement, no source)."""
UNKNOWN_AGE_SHARE = 0.7
"""Usable share of the label when the installation date is unknown."""
MEASURED_BELOW_SHARE = 0.8
FADE_PER_YEAR = 0.04
LEAST_AGED_SHARE = 0.6
LABEL_CAP = 1.08
"""Slow discharge never counts for more than this share of the 20 h capacity (judgement: physics-based
models give 1.02 to 1.05, extrapolated power laws far more)."""
CURRENT_SHARE_SD = 0.10
RELAXATION_SD = 0.03
LEAST_LIVE_V = 9.0
"""A lower voltage is a broken connection, not a rested battery (judgement). [V at 12 V]"""
PLATEAU_V = (13.3, 13.42)
PLATEAU_SOC = (0.55, 0.85, 0.95)
PLATEAU_SD = (0.25, 0.15, 0.08)
"""Lithium iron phosphate under a small load: below 13.3 V anywhere in the middle, up to 13.42 V well
charged, above it nearly full or held by a charger (judgement over the tables). [V at 12 V]"""
SHARED_SHARE_SD = 0.30
"""As `CURRENT_SHARE_SD`, where other units on the bank are taken to draw like this one."""
NOTHING_KNOWN_SD = 0.45
UNKNOWN_SD = 1.0
"""Where nothing is known yet: the first rest voltage or full charge decides."""


@dataclass(frozen=True, slots=True)
class Capacity:
    """What a bank is believed to hold."""

    ah: float
    share_sd: float
    assumed: str | None


@dataclass(frozen=True)
class Rests:
    """Rest voltages read as states of charge."""

    at: IntArray
    """Sample numbers."""
    soc: FloatArray
    sd: FloatArray
    """Standard deviation; common to readings of one kind, so that averaging does not lower it."""


@dataclass(frozen=True)
class ChargeState:
    """The bank as of the last sample."""

    soc: float | None
    soc_sd: float
    reason: str | None
    charging_now: bool
    full_ms: IntArray
    """When the bank was last seen full, oldest first."""
    charge_ends_ms: IntArray
    """When past charging of an hour or more ended."""

    @property
    def quantiles(self) -> Quantiles | None:
        """The state of charge as a range."""
        return None if self.soc is None else soc_quantiles(self.soc, self.soc_sd)


def soc_quantiles(mean: float, sd: float) -> Quantiles:
    """Return a normal range of state of charge, clipped to 0 … 1."""
    low, mid, high = (min(1.0, max(0.0, mean + z * sd)) for z in (-Z10, 0.0, Z10))
    return Quantiles(p10=low, p50=mid, p90=high)


def capacity_of(settings: UnitSettings, *, as_of_ms: int) -> Capacity | None:
    """Return the usable capacity of a unit's bank; None when the file names no capacity.

    Unknown age: 0.7 of the label and wide. Known age: 4 % less a year down to 0.6 (judgement, no source).
    """
    bank = settings.bank
    label = bank.capacity_ah if bank is not None else settings.unit.supply.capacity_ah
    if label is None:
        return None
    if bank is None or bank.installed is None:
        return Capacity(
            UNKNOWN_AGE_SHARE * label,
            0.20,
            f"battery age unknown: usable capacity {UNKNOWN_AGE_SHARE:g} x label",
        )
    installed_day = (bank.installed.toordinal() - 719163) * DAY_MS
    years = max(0.0, (as_of_ms - installed_day) / (365.25 * DAY_MS))
    share = max(LEAST_AGED_SHARE, 1.0 - FADE_PER_YEAR * years)
    return Capacity(min(share, LABEL_CAP) * label, 0.10, None)


def bounded(capacity: Capacity | None, measured_ah: float | None) -> Capacity | None:
    """Return the capacity, lowered to what was measured where that is clearly less; never raised."""
    if capacity is None or measured_ah is None or measured_ah >= MEASURED_BELOW_SHARE * capacity.ah:
        return capacity
    return Capacity(
        measured_ah, 0.20, f"usable capacity {measured_ah:.0f} Ah, as counted between rest voltages"
    )


def load_a(frame: Frame, settings: UnitSettings) -> FloatArray:
    """Return the current drawn from the bank at each sample [A].

    The measured current of the unit, else its running current while on, times the units that share the
    bank (taken to be alike), plus the bank's other load.
    """
    counted = np.where(frame.on, settings.running_a, 0.0)
    own = np.where(np.isfinite(frame.current_a), frame.current_a, counted)
    other = settings.bank.other_load_a if settings.bank is not None else 0.0
    return np.asarray(own * settings.units_on_bank + other, dtype=np.float64)


def drawn_ah(frame: Frame, amps: FloatArray) -> FloatArray:
    """Return the charge drawn since the first sample, at each sample.

    Parameters
    ----------
    frame : Frame
        Gives the times; each sample's current holds until the next one.
    amps : (n,) float64
        Current drawn. [A]

    Returns
    -------
    (n,) float64
        Starts at 0; across a gap the mean current is taken. [Ah]
    """
    if amps.size == 0:
        return np.empty(0)
    held = frame.held_ms
    total = float(np.sum(held))
    mean = float(np.sum(amps * held)) / total if total > 0 else float(np.mean(amps))
    rate = np.where(frame.broken, mean, amps[:-1])
    steps = rate * np.diff(frame.t_ms) / HOUR_MS
    return np.concatenate([[0.0], np.cumsum(steps)])


def rests(frame: Frame, runs: Runs, settings: UnitSettings, charging: BoolArray) -> Rests:
    """Return every rest voltage worth reading.

    A rest is the end of an off period of five minutes or more in which nothing charged; with a panel on
    the roof only at night, since weak sun reads like a full battery. On the flat part of lithium iron
    phosphate a reading says no more than "somewhere in the middle".
    """
    curve, _ = curve_of(settings)
    off = ~runs.on & (frame.t_ms[runs.last] - runs.start_ms >= LEAST_REST_MS)
    at = runs.last[off]
    at = at[~charging[at] & ~charging[runs.first[off]]]
    if settings.unit.supply.panel_wp > 0:
        at = at[_night(frame.t_ms[at], settings)]
    at = at[frame.volts_12[at] > LEAST_LIVE_V]
    volts = frame.volts_12[at] + RELAXATION_V
    flat = volts > curve.trusted_below_v
    step = np.digitize(volts, PLATEAU_V)
    soc = np.where(flat, np.array(PLATEAU_SOC)[step], soc_at_rest(volts, curve))
    sd = np.where(flat, np.array(PLATEAU_SD)[step], np.hypot(curve.soc_sd, RELAXATION_SD))
    return Rests(at, soc, sd)


def _night(t_ms: IntArray, settings: UnitSettings) -> BoolArray:
    """Return where the site's clock stands between 19:00 and 05:00, by the offset of the newest instant."""
    return np.asarray((site_hour(t_ms, settings) >= 19) | (site_hour(t_ms, settings) < 5), dtype=np.bool_)  # noqa: PLR2004


def site_hour(t_ms: IntArray, settings: UnitSettings) -> IntArray:
    """Return the hour of the day at the unit's site, 0 to 23, by the offset in force at the last instant."""
    return np.asarray((t_ms + site_offset_ms(t_ms, settings)) // HOUR_MS % 24, dtype=np.int64)


def site_offset_ms(t_ms: IntArray, settings: UnitSettings) -> int:
    """Return how far the site's clock is ahead of UTC at the last instant given [ms]."""
    if settings.site is None or t_ms.size == 0:
        return 0
    offset = datetime_of(float(t_ms[-1])).astimezone(settings.site.zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)


def charge_state(
    frame: Frame, runs: Runs, settings: UnitSettings, capacity: Capacity | None, ah: FloatArray | None = None
) -> ChargeState:
    """Return the state of charge at the last sample.

    A one-state filter over stretches of charging and not. Discharge is counted; the rest voltages of a
    stretch correct it together, with the spread between published tables as an error that no number of
    readings averages out. Charging without a measured current closes half the distance to full in about
    three hours, widely; a full charge resets. `ah` is what `drawn_ah` gives, where it is known already.
    """
    curve, known = curve_of(settings)
    charging = charging_at(frame, curve)
    full = full_charges_ms(frame.t_ms, frame.volts_12, curve)
    parts = stretches_of(charging)
    span = frame.t_ms[parts.last] - frame.t_ms[parts.first]
    finished = parts.charging & (span >= HOUR_MS) & (parts.last < len(frame) - 1)
    ends = frame.t_ms[parts.last[finished]]
    now = bool(charging[-1]) if charging.size else False
    if capacity is None or not known or not bool(np.any(np.isfinite(frame.volts_12))):
        reason = (
            "no battery chemistry or capacity in the unit's file"
            if capacity is None or not known
            else "no battery voltage in this log"
        )
        return ChargeState(None, 0.0, reason, now, full, ends)
    ah = drawn_ah(frame, load_a(frame, settings)) if ah is None else ah
    mean, sd = _filtered(frame, runs, settings, capacity=capacity, charging=charging, full=full, ah=ah)
    if sd > NOTHING_KNOWN_SD:
        return ChargeState(
            None, sd, "neither a rest voltage nor a full charge to count from", now, full, ends
        )
    return ChargeState(mean, sd, None, now, full, ends)


def _filtered(
    frame: Frame,
    runs: Runs,
    settings: UnitSettings,
    *,
    capacity: Capacity,
    charging: BoolArray,
    full: IntArray,
    ah: FloatArray,
) -> tuple[float, float]:
    """Run the filter over the stretches of the last month and return mean and standard deviation."""
    found = rests(frame, runs, settings, charging)
    parts = stretches_of(charging)
    mean, sd = 0.5, UNKNOWN_SD
    current_sd = CURRENT_SHARE_SD if settings.units_on_bank == 1 else SHARED_SHARE_SD
    for first, last, charges in zip(parts.first, parts.last, parts.charging, strict=True):
        if frame.t_ms[last] < frame.t_ms[-1] - LOOK_BACK_MS:
            continue
        begin = max(0, int(first) - 1)
        if charges:
            filled = bool(np.any((full >= frame.t_ms[first]) & (full <= frame.t_ms[last])))
            mean, sd = _charged(mean, sd, int(frame.t_ms[last] - frame.t_ms[begin]), filled=filled)
            continue
        used = float(ah[last] - ah[begin]) / capacity.ah
        mean, sd = (
            max(0.0, mean - used),
            math.hypot(sd, used * math.hypot(current_sd, capacity.share_sd)),
        )
        inside = (found.at >= first) & (found.at <= last)
        if begin < first:
            settled = frame.t_ms[found.at] - frame.t_ms[first] >= SURFACE_MS
            inside &= settled | (ah[found.at] - ah[begin] >= SURFACE_SHARE * capacity.ah)
        newest = np.flatnonzero(inside)[-NEWEST_RESTS:]
        if newest.size:
            since = (ah[last] - ah[found.at[newest]]) / capacity.ah
            sharp = found.sd[newest] <= float(np.min(found.sd[newest])) + 1e-9
            readings = found.soc[newest] - since
            mean, sd = _corrected(mean, sd, readings[sharp], float(np.min(found.sd[newest])))
    return min(1.0, max(0.0, mean)), sd


def _charged(mean: float, sd: float, span_ms: int, *, filled: bool) -> tuple[float, float]:
    """Return the state after charging of unknown current, or after a full charge."""
    if filled:
        return 1.0, 0.04
    room = max(0.0, 1.0 - mean)
    closed = room * (1.0 - math.exp(-span_ms / (4.0 * HOUR_MS)))
    return mean + closed, max(0.05, math.hypot(sd * (1.0 - closed / max(room, 1e-9)), 0.5 * closed))


def _corrected(mean: float, sd: float, readings: FloatArray, reading_sd: float) -> tuple[float, float]:
    """Return the state after the rest voltages of one stretch, whose common error does not average out.

    Readings far outside what counting allows mean that something unseen charged or drew: the count is then
    only trusted to that distance.
    """
    apart = abs(float(np.median(readings)) - mean)
    if apart > 2.0 * math.hypot(sd, reading_sd):
        sd = apart
    gain = sd**2 / (sd**2 + reading_sd**2)
    updated = mean + gain * (float(np.median(readings)) - mean)
    return updated, max(math.sqrt(1.0 - gain) * sd, min(sd, 0.75 * reading_sd))


def measured_capacity_ah(
    frame: Frame,
    runs: Runs,
    settings: UnitSettings,
    *,
    ah: FloatArray | None = None,
    least_share: float = 0.25,
) -> float | None:
    """Return the capacity that counted charge and rest voltages agree on; None where they cannot tell.

    Parameters
    ----------
    frame, runs : Frame, Runs
        Samples and their runs.
    settings : UnitSettings
        Chemistry and loads.
    ah : (n,) float64, optional
        What `drawn_ah` gives, where it is known already. [Ah]
    least_share : float
        A stretch of discharge counts when its rest voltages fall by at least this state of charge.

    Returns
    -------
    float or None
        Median over such stretches of charge drawn by state of charge lost, first against last rest.
        Lithium iron phosphate rests too flat for it. [Ah]
    """
    curve, known = curve_of(settings)
    if not known or curve is CURVES["lifepo4"] or len(frame) == 0:
        return None
    charging = charging_at(frame, curve)
    found = rests(frame, runs, settings, charging)
    ah = drawn_ah(frame, load_a(frame, settings)) if ah is None else ah
    parts = stretches_of(charging)
    estimates = []
    for first, last in zip(parts.first[~parts.charging], parts.last[~parts.charging], strict=True):
        start_ms = frame.t_ms[first] + (SURFACE_MS if first > 0 else 0)
        inside = np.flatnonzero((found.at <= last) & (frame.t_ms[found.at] >= start_ms))
        if inside.size < 2:  # noqa: PLR2004 - two ends
            continue
        head, tail = inside[0], inside[-1]
        lost = float(found.soc[head] - found.soc[tail])
        if lost >= least_share:
            estimates.append(float(ah[found.at[tail]] - ah[found.at[head]]) / lost)
    return float(np.median(estimates)) if estimates else None
