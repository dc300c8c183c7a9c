"""How full the bank is: charge counted from the runs, corrected by rest voltage and full charges."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.capacity import Capacity
from services.analytics.power.charging import charging_at, full_charges_ms, stretches_of
from services.analytics.power.curves import CURVES, curve_of, soc_beyond
from services.analytics.power.drop import Drop
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.gauge import Filter, Followed
from services.analytics.power.halftap import NOT_KNOWN, common_a, tapped_a
from services.analytics.power.knownbank import Gauge
from services.analytics.power.learned import Learned, bank_key
from services.analytics.power.siteclock import by_night, sunlit
from services.analytics.power.track import READING_SD, Rests, track_of
from services.analytics.power.underload import read_under_load
from services.analytics.power.wells import wells_of
from services.domain import Quantiles, UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

Z10 = 1.2815515655446004
"""The standard normal quantile of nine in ten."""

SURFACE_MS = 4 * HOUR_MS
"""Surface charge reads high for hours after charging (common practice, no source)."""
SURFACE_SHARE, SURFACE_LEAST_MS = 0.05, 30 * MINUTE_MS
"""Drawing this share of the label takes surface charge away sooner (judgement, no source)."""
LEAST_REST_MS = 5 * MINUTE_MS
RELAXATION_V = 0.01
"""What a lead-acid battery still recovers after minutes of rest, beside its wells (judgement). [V at 12 V]"""
CURRENT_SHARE_SD = 0.10
MEASURED_CURRENT_SD = 0.03
"""As `CURRENT_SHARE_SD`, where the unit measures its current."""
LEAST_LIVE_V = 9.0
"""A lower voltage is a broken connection, not a rested battery (judgement). [V at 12 V]"""
PLATEAU_V = (13.1, 13.3, 13.42)
PLATEAU_SOC = (0.45, 0.55, 0.85, 0.95)
PLATEAU_SD = (0.25, 0.25, 0.15, 0.08)
"""Lithium iron phosphate under a small load: below 13.1 V not full, below 13.3 V anywhere in the middle,
up to 13.42 V well charged, above it nearly full or held by a charger (judgement over tables). [V at 12 V]"""
SHARED_SHARE_SD = 0.30
"""As `CURRENT_SHARE_SD`, where other units on the bank are taken to draw like this one."""
RISE_V, RISE_MS, RISE_READINGS = 0.03, 4 * HOUR_MS, 6
"""A rest voltage this far above the lowest of the last hours has been lifted (judgement). [V at 12 V]"""
NOTHING_KNOWN_SD = 0.45
FULL_SOC = 0.9
"""A charge that looks full but leaves the count below this was none (judgement)."""


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
    charge_lengths_ms: IntArray
    """How long each of these lasted."""
    gauge: Gauge | None = None
    """Charge, capacity and curve error together; None where nothing was followed."""
    learned: tuple[Learned, ...] = ()
    """What the samples taught, at the start of every UTC day they cross."""
    way: Followed | None = None
    """The filter's way along the samples."""

    @property
    def quantiles(self) -> Quantiles | None:
        """The state of charge as a range."""
        return None if self.soc is None else soc_quantiles(self.soc, self.soc_sd)

    def reserve(self, soc_cut: float, capacity: Capacity, left_share: float = 0.0) -> tuple[float, float]:
        """Return the charge left above a cut-out and the standard deviation of its logarithm [Ah], [1].

        `capacity` only counts where nothing was followed; `left_share` stays behind in the bound well.
        """
        if self.gauge is not None:
            return self.gauge.reserve(soc_cut, left_share)
        margin = max(0.01, (0.0 if self.soc is None else self.soc) - soc_cut - left_share)
        spread = math.sqrt(capacity.share_sd**2 + math.log1p((self.soc_sd / margin) ** 2))
        return capacity.ah * margin, spread


def soc_quantiles(mean: float, sd: float) -> Quantiles:
    """Return a normal range of state of charge, clipped to 0 … 1."""
    low, mid, high = (min(1.0, max(0.0, mean + z * sd)) for z in (-Z10, 0.0, Z10))
    return Quantiles(p10=low, p50=mid, p90=high)


def load_a(frame: Frame, settings: UnitSettings) -> FloatArray:
    """Return the current drawn from the bank at each sample [A].

    The measured current of the unit, else its running current while on, times the units that share the
    bank (taken to be alike), plus the bank's other load and its share of a tap.
    """
    counted = np.where(frame.on, settings.running_a, 0.0)
    own = np.where(np.isfinite(frame.current_a), frame.current_a, counted)
    other = settings.bank.other_load_a if settings.bank is not None else 0.0
    return np.asarray(own * settings.units_on_bank + other + common_a(settings), dtype=np.float64)


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

    A rest is the end of an off period of five minutes or more, and every hour of a long one, while nothing
    charges or is said to feed the unit; with a panel on the roof only at night, since weak sun reads like
    a full battery. On the flat part of lithium iron phosphate a reading says no more than "somewhere in
    the middle".
    """
    curve, _ = curve_of(settings)
    run = np.repeat(np.arange(runs.first.size), runs.last - runs.first + 1)
    still = ~frame.on & ~charging & ~(frame.fed > 0) & (frame.t_ms - runs.start_ms[run] >= LEAST_REST_MS)
    at = np.flatnonzero(still & np.isfinite(frame.volts_12))
    block = frame.t_ms[at] // HOUR_MS
    ends = np.ones(at.shape, dtype=np.bool_)
    ends[:-1] = (run[at][1:] != run[at][:-1]) | (block[1:] != block[:-1])
    at = at[ends]
    if settings.unit.supply.panel_wp > 0:
        at = at[by_night(frame.t_ms[at], settings)]
    at = at[frame.volts_12[at] > LEAST_LIVE_V]
    at = at[_falling(frame.t_ms[at], frame.volts_12[at], settings)]
    if curve is not CURVES["lifepo4"]:
        at = at[frame.volts_12[at] <= curve.trusted_below_v - RELAXATION_V]
    volts = frame.volts_12[at] + RELAXATION_V
    flat = volts > curve.trusted_below_v
    step = np.digitize(volts, PLATEAU_V)
    soc = np.where(flat, np.array(PLATEAU_SOC)[step], soc_beyond(volts, curve))
    sd = np.where(flat, np.array(PLATEAU_SD)[step], READING_SD)
    return Rests(at, soc, sd, flat)


def _falling(t_ms: IntArray, volts_12: FloatArray, settings: UnitSettings) -> BoolArray:
    """Return where a rest voltage did not rise by day over those of the hours before: weak sun lifts it."""
    before = np.full(volts_12.shape, np.inf)
    for step in range(1, RISE_READINGS + 1):
        if volts_12.size > step:
            near = t_ms[step:] - t_ms[:-step] <= RISE_MS
            before[step:] = np.minimum(before[step:], np.where(near, volts_12[:-step], np.inf))
    rising = volts_12 > before + RISE_V
    return ~rising | by_night(t_ms, settings)


def charge_state(
    frame: Frame,
    runs: Runs,
    settings: UnitSettings,
    capacity: Capacity | None,
    ah: FloatArray | None = None,
    *,
    learned: Learned | None = None,
    charging: BoolArray | None = None,
    drop: Drop | None = None,
) -> ChargeState:
    """Return the state of charge at the last sample.

    Counted charge, corrected by rest voltages, full charges and the start of absorption; see `Filter`.

    Parameters
    ----------
    frame, runs : Frame, Runs
        Samples and their runs.
    settings : UnitSettings
        Chemistry, label and loads.
    capacity : Capacity or None
        As believed from label and age.
    ah : (n,) float64, optional
        What `drawn_ah` gives, where it is known already. [Ah]
    learned : Learned, optional
        What earlier days taught; the filter starts at its day, and samples before it only tell what a
        voltage of that day means (charging, surface charge).
    charging : (n,) bool, optional
        What `charging_at` gives, where it is known already.
    drop : Drop, optional
        Cable, joints and battery, as stops show them; with it the charge is read under load where no rest
        is for hours.
    """
    curve, known = curve_of(settings)
    charging = charging_at(frame, curve) if charging is None else charging
    full = full_charges_ms(frame.t_ms, frame.volts_12, curve)
    parts = stretches_of(charging)
    span = frame.t_ms[parts.last] - frame.t_ms[parts.first]
    finished = parts.charging & (span >= HOUR_MS) & (parts.last < len(frame) - 1)
    ends, lengths = frame.t_ms[parts.last[finished]], span[finished]
    now = bool(charging[-1]) if charging.size else False
    unknown = _unknown(frame, settings, described=capacity is not None and known)
    if capacity is None or unknown is not None:
        return ChargeState(None, 0.0, unknown, now, full, ends, lengths)
    ah = drawn_ah(frame, load_a(frame, settings)) if ah is None else ah
    label_ah = settings.bank.capacity_ah if settings.bank is not None else capacity.ah
    found = rests(frame, runs, settings, charging)
    if drop is not None:
        found = read_under_load(frame, runs, settings, charging=charging, drop=drop, rests=found)
    found = _settled(found, frame, charging, ah / label_ah)
    key = bank_key(settings)
    usable = learned is not None and learned.bank == key and learned.day_ms <= int(frame.t_ms[-1])
    lithium = curve is CURVES["lifepo4"]
    track = track_of(
        frame,
        charging=charging,
        full_ms=full,
        found=found,
        ah=ah,
        capacity_ah=capacity.ah,
        curve=curve,
        lithium=lithium,
        from_ms=learned.day_ms if learned is not None and usable else None,
        bank=key,
        sunlit=lambda t_ms: sunlit(t_ms, settings),
    )
    followed = Filter(
        track,
        capacity,
        current_sd=_current_sd(frame, settings),
        wells=wells_of(settings),
        learned=learned if usable else None,
    ).follow()
    mean, sd = float(followed.soc[-1]), float(followed.soc_sd[-1])
    if sd > NOTHING_KNOWN_SD:
        return ChargeState(
            None, sd, "neither a rest voltage nor a full charge to count from", now, full, ends, lengths,
            learned=followed.learned,
        )  # fmt: skip
    gauge = Gauge(followed.estimate, capacity, track.temperature_share, label_ah)
    return ChargeState(
        mean, sd, None, now, _believed(full, followed), ends, lengths, gauge, followed.learned, followed
    )


def _unknown(frame: Frame, settings: UnitSettings, *, described: bool) -> str | None:
    """Return what keeps the charge from being followed, None where nothing does."""
    if not described:
        return "no battery chemistry or capacity in the unit's file"
    if not bool(np.any(np.isfinite(frame.volts_12))):
        return "no battery voltage in this log"
    return NOT_KNOWN if tapped_a(settings) > 0.0 else None


def _believed(full_ms: IntArray, followed: Followed) -> IntArray:
    """Return the full charges after which the filter has the bank full; those before its start all count."""
    at = np.clip(np.searchsorted(followed.t_ms, full_ms), 0, followed.t_ms.size - 1)
    return np.asarray(full_ms[(full_ms < followed.t_ms[0]) | (followed.soc[at] >= FULL_SOC)], dtype=np.int64)


def _current_sd(frame: Frame, settings: UnitSettings) -> float:
    """Return how far the counted current may be off, in common for all of it."""
    if settings.units_on_bank > 1:
        return SHARED_SHARE_SD
    return MEASURED_CURRENT_SD if bool(np.any(np.isfinite(frame.current_a))) else CURRENT_SHARE_SD


def _settled(found: Rests, frame: Frame, charging: BoolArray, drawn_share: FloatArray) -> Rests:
    """Return the rest voltages without surface charge: hours after charging, or a share drawn since."""
    if found.at.size == 0 or not bool(np.any(charging)):
        return found
    last = np.maximum.accumulate(np.where(charging, np.arange(charging.size), -1))[found.at]
    waited = frame.t_ms[found.at] - frame.t_ms[np.maximum(last, 0)]
    drawn = drawn_share[found.at] - drawn_share[np.maximum(last, 0)]
    keep = (last < 0) | (waited >= SURFACE_MS) | ((drawn >= SURFACE_SHARE) & (waited >= SURFACE_LEAST_MS))
    return Rests(found.at[keep], found.soc[keep], found.sd[keep], found.flat[keep])


def measured_capacity_ah(
    frame: Frame,
    runs: Runs,
    settings: UnitSettings,
    *,
    ah: FloatArray | None = None,
    least_share: float = 0.25,
    others_known: bool = False,
    charging: BoolArray | None = None,
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
    others_known : bool
        Whether `ah` counts what other units on the bank really drew; taken to be alike they prove nothing.
    charging : (n,) bool, optional
        What `charging_at` gives, where it is known already.

    Returns
    -------
    float or None
        Median over such stretches of charge drawn by state of charge lost, first against last rest.
        Lithium iron phosphate rests too flat for it. [Ah]
    """
    curve, known = curve_of(settings)
    if not known or curve is CURVES["lifepo4"] or len(frame) == 0:
        return None
    if settings.units_on_bank > 1 and not others_known:
        return None
    charging = charging_at(frame, curve) if charging is None else charging
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
        lost = min(1.0, float(found.soc[head])) - float(found.soc[tail])
        drawn = float(ah[found.at[tail]] - ah[found.at[head]])
        if lost >= least_share and drawn > 0.0:
            estimates.append(drawn / lost)
    return float(np.median(estimates)) if estimates else None
