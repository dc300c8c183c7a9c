"""When the unit will stop for want of charge, as a range; plan on the early end."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.charge import Z10, Capacity, ChargeState, site_offset_ms
from services.analytics.power.curves import battery_ohm, curve_of, rest_v
from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.resistance import expected_ohm
from services.domain import LastsUntil, Move, UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

HORIZON_H = 168
DUTY_DAYS = 3
DAWN_HOUR = 6
LOAD_SHARE_SD = 0.12
"""Day-to-day scatter of the load beside what hours of the day explain (judgement, no source)."""
SHORT_HISTORY_SHARE_SD = 0.25
SHARED_SHARE_SD = 0.25
"""Added where other units on the bank are taken to draw like this one."""
LEAST_MARGIN = 0.01
LEAST_HISTORY_MS = 2 * HOUR_MS
ENGINE_SOC = 0.5
"""Below half charge an engine may not start (common practice, no source)."""
CHARGE_MINUTES = 60
CHARGE_RATE_PER_H = 0.2
"""A charger of a fifth of the bank's capacity is assumed where none is described."""
NEVER_WARMER = frozenset({"poultry", "fish", "frozen_fish", "medicine", "unknown"})
"""Classes for which raising the set point is never advised."""
SENSOR_ERROR_K = 1.0
HALF_DIFFERENTIAL_K = 1.0


@dataclass(frozen=True)
class Load:
    """What the bank will be asked for, hour by hour from as-of."""

    edges_h: FloatArray
    """Hours from as-of at which the cumulative charge is given."""
    cumulative_ah: FloatArray
    mean_a: float
    share_sd: float

    def hours_for(self, ah: float) -> float:
        """Return how long a charge lasts; infinite past the horizon [h]."""
        if ah >= float(self.cumulative_ah[-1]):
            return math.inf
        return float(np.interp(ah, self.cumulative_ah, self.edges_h))

    def ah_by(self, hours: float) -> float:
        """Return the charge asked for within some hours [Ah]."""
        return float(np.interp(hours, self.edges_h, self.cumulative_ah))


@dataclass(frozen=True)
class Reserve:
    """The charge left above the cut-out, lognormal to first order."""

    ah: float
    share_sd: float
    """Standard deviation of its logarithm, the load's scatter included."""
    soc_cut: float

    def ah_at(self, z: float) -> float:
        """Return the charge at a quantile given by its standard normal deviate [Ah]."""
        return self.ah * math.exp(z * self.share_sd)

    def chance_of(self, ah: float) -> float:
        """Return the chance that the reserve holds at least some charge."""
        if ah <= 0:
            return 1.0
        z = (math.log(ah) - math.log(self.ah)) / self.share_sd
        return 0.5 * math.erfc(z / math.sqrt(2.0))


def log_sd(*, capacity_share_sd: float, margin_share_sd: float, load_sd: float) -> float:
    """Return the standard deviation of the logarithm of the run-out: relative variances add.

    A wide margin is taken at its lognormal value ``ln(1 + s²)``, else a nearly flat battery would show an
    upper end that no battery has.
    """
    return math.sqrt(capacity_share_sd**2 + math.log1p(margin_share_sd**2) + load_sd**2)


def lognormal_hours(*, capacity_ah: float, capacity_share_sd: float, margin: float, margin_sd: float,
                    mean_a: float, load_share_sd: float) -> tuple[float, float, float]:  # fmt: skip
    """Return the P10, P50 and P90 run-out at a constant mean current.

    Parameters
    ----------
    capacity_ah, capacity_share_sd : float
        Usable capacity [Ah] and its relative standard deviation.
    margin, margin_sd : float
        State of charge above the cut-out and its standard deviation.
    mean_a, load_share_sd : float
        Mean current [A] and its relative standard deviation.

    Returns
    -------
    tuple of float
        Relative variances add, the result is taken as lognormal. [h]
    """
    middle = capacity_ah * margin / mean_a
    sd = log_sd(
        capacity_share_sd=capacity_share_sd, margin_share_sd=margin_sd / margin, load_sd=load_share_sd
    )
    return middle * math.exp(-Z10 * sd), middle, middle * math.exp(Z10 * sd)


def soc_at_cutout(settings: UnitSettings, *, cutout_v_12: float, source_ohm: float | None) -> float:
    """Return the state of charge at which the voltage at the unit, on load, reaches the cut-out.

    Parameters
    ----------
    settings : UnitSettings
        Chemistry, capacity, running current, other loads.
    cutout_v_12 : float
        Cut-out at 12 V nominal. [V]
    source_ohm : float or None
        Supply path as measured with the bank well charged; None for what the cable explains. [Ω]

    Returns
    -------
    float
        On the rest curve less cable and battery drops; a bad joint moves it up. [0 … 1]
    """
    curve, _ = curve_of(settings)
    bank = settings.bank
    capacity = bank.capacity_ah if bank is not None else 100.0
    lithium = bank is not None and bank.chemistry == "lifepo4"
    scale = settings.nominal_v / 12.0
    soc = np.linspace(0.0, 1.0, 501)
    inner = battery_ohm(soc, capacity_ah=capacity, lithium=lithium) * scale
    path = expected_ohm(settings) if source_ohm is None else source_ohm
    cable = max(0.0, path - float(battery_ohm(0.8, capacity_ah=capacity, lithium=lithium)) * scale)
    other_a = (bank.other_load_a if bank is not None else 0.0) + settings.running_a * (
        settings.units_on_bank - 1
    ) / 2
    on_load = rest_v(soc, curve) - (settings.running_a * (cable + inner) + other_a * inner) / scale
    enough = np.flatnonzero(on_load >= cutout_v_12)
    return float(soc[enough[0]]) if enough.size else 1.0


def duty_by_hour(frame: Frame, ordinary: BoolArray, *, as_of_ms: int) -> tuple[FloatArray, float, int]:
    """Return the share of time the compressor runs by UTC hour, its mean, and the time looked at.

    Parameters
    ----------
    frame : Frame
        Samples.
    ordinary : (n,) bool
        False inside cut-outs, which say nothing of the need for cooling.
    as_of_ms : int
        The three days before it are looked at. [ms]

    Returns
    -------
    tuple
        (24,) shares, hours without data filled with the mean; the mean share; milliseconds of data.
    """
    recent = ordinary & (frame.t_ms >= as_of_ms - DUTY_DAYS * DAY_MS)
    held = np.where(recent, frame.held_ms, 0).astype(np.float64)
    hour = frame.t_ms // HOUR_MS % 24
    total = np.bincount(hour, weights=held, minlength=24)
    ran = np.bincount(hour, weights=held * frame.on, minlength=24)
    seen_ms = float(np.sum(total))
    mean = float(np.sum(ran)) / seen_ms if seen_ms > 0 else 0.0
    shares = np.where(total >= HOUR_MS / 2, ran / np.maximum(total, 1.0), mean)
    return shares, mean, round(seen_ms)


def load_of(
    frame: Frame, ordinary: BoolArray, settings: UnitSettings, *, from_ms: int, as_of_ms: int
) -> Load | None:
    """Return the load expected from an instant on: this unit's duty by hour of the day, times its sharers.

    None with less than two hours of ordinary running to learn from.
    """
    shares, _, seen_ms = duty_by_hour(frame, ordinary, as_of_ms=as_of_ms)
    if seen_ms < LEAST_HISTORY_MS:
        return None
    running = settings.running_a
    measured = frame.current_a[frame.on & (frame.t_ms >= as_of_ms - DUTY_DAYS * DAY_MS)]
    if bool(np.any(np.isfinite(measured))):
        running = float(np.nanmean(measured))
    other = settings.bank.other_load_a if settings.bank is not None else 0.0
    first = (HOUR_MS - from_ms % HOUR_MS) / HOUR_MS
    edges = np.concatenate([[0.0], first + np.arange(HORIZON_H + 1.0)])
    hour = (from_ms // HOUR_MS + np.arange(edges.size - 1)) % 24
    amps = running * shares[hour] * settings.units_on_bank + other
    cumulative = np.concatenate([[0.0], np.cumsum(amps * np.diff(edges))])
    share_sd = LOAD_SHARE_SD if seen_ms >= DAY_MS else SHORT_HISTORY_SHARE_SD
    if settings.units_on_bank > 1:
        share_sd = math.hypot(share_sd, SHARED_SHARE_SD)
    return Load(edges, cumulative, float(np.mean(amps)), share_sd)


def reserve_of(state: ChargeState, capacity: Capacity, *, soc_cut: float, load_sd: float) -> Reserve:
    """Return the charge above the cut-out as of the last sample."""
    margin = max(LEAST_MARGIN, (0.0 if state.soc is None else state.soc) - soc_cut)
    relative = log_sd(
        capacity_share_sd=capacity.share_sd, margin_share_sd=state.soc_sd / margin, load_sd=load_sd
    )
    return Reserve(capacity.ah * margin, relative, soc_cut)


def next_dawn_ms(as_of_ms: int, settings: UnitSettings) -> int:
    """Return the next 06:00 by the site's clock, the offset of now being kept [ms]."""
    offset = site_offset_ms(np.array([as_of_ms], dtype=np.int64), settings)
    local = as_of_ms + offset
    dawn = local - local % DAY_MS + DAWN_HOUR * HOUR_MS
    return dawn + (DAY_MS if dawn <= local else 0) - offset


def usual_charge_end_ms(ends_ms: IntArray, as_of_ms: int) -> int | None:
    """Return when charging usually ends next: the median hour of the last week; None if it has no habit."""
    recent = ends_ms[ends_ms >= as_of_ms - 7 * DAY_MS]
    if recent.size < 2:  # noqa: PLR2004 - one end is no habit
        return None
    ahead = (recent - as_of_ms) % DAY_MS
    if float(np.ptp(ahead)) > 4 * HOUR_MS:
        return None
    return as_of_ms + round(float(np.median(ahead)))


def lasts_until(
    reserve: Reserve, load: Load, *, from_ms: int, as_of_ms: int, settings: UnitSettings
) -> LastsUntil:
    """Return the chance that the unit still runs at the next dawn."""
    dawn = next_dawn_ms(as_of_ms, settings)
    chance = reserve.chance_of(load.ah_by(max(0.0, (dawn - from_ms) / HOUR_MS)))
    return LastsUntil(at=dawn, name="dawn", chance=chance)


def moves(
    state: ChargeState, reserve: Reserve, load: Load, capacity: Capacity, settings: UnitSettings,
    *, food_limit_c: float, food_c: float | None, ambient_c: float,
) -> tuple[Move, ...]:  # fmt: skip
    """Return what would move the run-out, and by how much; nothing that could hurt.

    Charging (from mains, a generator or the engine in the open air) is put at a fifth of the capacity per
    hour, no more than what is missing less its taper. Raising the set point is only offered where no class
    of food forbids it and the food stays under its limit less the sensor's error.
    """
    if load.mean_a <= 0:
        return ()
    curve, _ = curve_of(settings)
    missing = max(0.0, 1.0 - (0.0 if state.soc is None else state.soc)) * capacity.ah
    put_in = min(
        CHARGE_RATE_PER_H * capacity.ah * curve.coulombic_share * CHARGE_MINUTES / 60.0, 0.63 * missing
    )
    found = []
    if put_in > 0:
        gain = min(float(HORIZON_H), put_in / load.mean_a)
        found.append(Move(action="charge", amount=CHARGE_MINUTES, unit="min", gain_hours=gain))
    if _may_warm(settings, food_limit_c=food_limit_c, food_c=food_c):
        gain = _warmer_gain_h(reserve, load, settings, ambient_c)
        found.append(Move(action="set_point", amount=1.0, unit="K", gain_hours=gain))
    return tuple(found)


def _may_warm(settings: UnitSettings, *, food_limit_c: float, food_c: float | None) -> bool:
    """Return whether the set point may be raised by 1 K."""
    if food_c is None or NEVER_WARMER & set(settings.classes):
        return False
    warmest = settings.set_point_c + 1.0 + HALF_DIFFERENTIAL_K + SENSOR_ERROR_K
    return warmest < food_limit_c and food_c + SENSOR_ERROR_K < food_limit_c


def _warmer_gain_h(reserve: Reserve, load: Load, settings: UnitSettings, ambient_c: float) -> float:
    """Return the hours gained by 1 K less to hold: the compressor's part of the load scales with it [h]."""
    lift = max(5.0, ambient_c - settings.set_point_c)
    other = settings.bank.other_load_a if settings.bank is not None else 0.0
    saved = max(0.0, load.mean_a - other) / lift
    hours = reserve.ah / load.mean_a
    return min(float(HORIZON_H), reserve.ah / max(load.mean_a - saved, 1e-6) - hours)
