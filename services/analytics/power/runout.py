"""When the unit will stop for want of charge, as a range; plan on the early end."""

import math
from dataclasses import dataclass
from functools import cache, cached_property
from statistics import NormalDist

import numpy as np

from services.analytics.power.capacity import Capacity
from services.analytics.power.charge import ChargeState
from services.analytics.power.drop import Drop, loaded_v
from services.analytics.power.habits import Sources, taper_a
from services.analytics.power.load import HORIZON_H, Load
from services.analytics.power.siteclock import site_offset_ms
from services.analytics.power.sunshine import CLOUD_SD
from services.domain import UnitSettings
from services.domain.lasting import CHANCES
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS

DAWN_HOUR = 6
MEMBERS = 401
"""How many possible futures stand for all: strata of equal chance, always the same ones."""
GOLDEN_STEP, SQUARE_STEP = 0.6180339887498949, 0.4142135623730951
ENGINE_SOC = 0.5
"""Below half charge an engine may not start (common practice, no source)."""


@cache
def _normal_table() -> tuple[FloatArray, FloatArray]:
    """Return levels and standard normal deviates to look up between."""
    z = np.linspace(-5.0, 5.0, 2001)
    return np.array([NormalDist().cdf(float(one)) for one in z]), z


def normal_deviate(level: FloatArray) -> FloatArray:
    """Return the standard normal deviate of a level, held to ±5."""
    levels, z = _normal_table()
    return np.asarray(np.interp(level, levels, z), dtype=np.float64)


@cache
def _strata() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return three sets of levels spread evenly together: steps of irrational length round a circle."""
    number = np.arange(MEMBERS) + 0.5
    first, second, third = (
        np.asarray(number * step % 1.0, dtype=np.float64)
        for step in (1.0 / MEMBERS, GOLDEN_STEP, SQUARE_STEP)
    )
    return first, second, third


@dataclass(frozen=True)
class Reserve:
    """The charge left above the cut-out; the unit still runs, so there is some."""

    ah: float
    """Best estimate; may be less than nothing where the battery seems emptier than it can be. [Ah]"""
    sd_ah: float
    load_sd: float
    """Relative standard deviation of the load it has to carry."""
    soc_cut: float

    @cached_property
    def members_ah(self) -> FloatArray:
        """(m,) Possible reserves over how much more than expected the load takes of them. [Ah]."""
        charge, load, _ = _strata()
        sd = max(self.sd_ah, 1e-6)
        empty = NormalDist().cdf(max(-6.0, min(6.0, -self.ah / sd)))
        found = self.ah + sd * normal_deviate(empty + charge * (1.0 - empty))
        found = np.maximum(found, 0.0)
        return np.asarray(found * np.exp(-self.load_sd * normal_deviate(load)), dtype=np.float64)

    def ah_at(self, level: float) -> float:
        """Return the charge that the reserve exceeds with one less the chance given [Ah]."""
        return float(np.quantile(self.members_ah, level))

    def chance_of(self, ah: float) -> float:
        """Return the chance that the reserve holds at least some charge, smoothed over neighbours."""
        if ah <= 0:
            return 1.0
        ranked = np.sort(self.members_ah)
        level = float(np.interp(ah, ranked, (np.arange(MEMBERS) + 0.5) / MEMBERS, left=0.0, right=1.0))
        return 1.0 - level


def soc_at_cutout(settings: UnitSettings, *, cutout_v_12: float, drop: Drop) -> float:
    """Return the state of charge at which the voltage at the unit, on load, reaches the cut-out.

    Parameters
    ----------
    settings : UnitSettings
        Chemistry, capacity, running current, other loads.
    cutout_v_12 : float
        Cut-out at 12 V nominal. [V]
    drop : Drop
        Cable, joints and the battery's own resistance, as the unit's stops show them.

    Returns
    -------
    float
        On the rest curve less cable and battery drops; a bad joint moves it up. [0 … 1]
    """
    soc = np.linspace(0.0, 1.0, 501)
    on_load = loaded_v(soc, settings, drop, unit_a=settings.running_a)
    enough = np.flatnonzero(on_load >= cutout_v_12)
    return float(soc[enough[0]]) if enough.size else 1.0


def reserve_of(
    state: ChargeState, capacity: Capacity, *, soc_cut: float, left_share: float, load: Load
) -> Reserve:
    """Return the charge above the cut-out as of the last sample; `left_share` stays in the bound well."""
    ah, sd_ah = charge_above(state, capacity, soc_cut, left_share)
    usual_h = load.hours_for(max(0.0, ah))
    return Reserve(ah, sd_ah, load.sd_within(min(float(HORIZON_H), usual_h)), soc_cut)


def charge_above(
    state: ChargeState, capacity: Capacity, soc: float, left_share: float = 0.0
) -> tuple[float, float]:
    """Return the charge above a state of charge and its standard deviation [Ah]."""
    ah, log_sd = state.reserve(soc, capacity, left_share)
    return ah, ah * math.sqrt(math.expm1(min(2.5, log_sd) ** 2))


def hours_without_charging(reserve: Reserve, load: Load) -> tuple[float, float, float]:
    """Return P10, P50 and P90 of the hours to the cut-out if nothing charges; infinite past the horizon."""
    low, mid, high = (load.hours_for(reserve.ah_at(level)) for level in (0.1, 0.5, 0.9))
    return low, mid, high


def hours_by_chance(reserve: Reserve, load: Load, *, gone_h: float) -> tuple[float, ...]:
    """Return how long it lasts with each of `CHANCES`, less the hours gone, up to the horizon [h]."""
    runs = [load.hours_for(reserve.ah_at(1.0 - chance)) for chance in CHANCES]
    return tuple(max(0.0, one - gone_h) for one in runs if one <= HORIZON_H)


@dataclass(frozen=True)
class Futures:
    """Hours until the cut-out with the charging that usually comes; infinite where none comes."""

    hours: FloatArray
    """(m,)"""

    def quantile_h(self, level: float) -> float:
        """Return a quantile; infinite past the horizon [h]."""
        ranked = np.sort(self.hours)
        return float(ranked[min(MEMBERS - 1, int(level * MEMBERS))])

    def chance_beyond(self, hours: float) -> float:
        """Return the chance of running on past some hours."""
        return float(np.mean(self.hours > hours))


def futures_of(
    reserve: Reserve, load: Load, sources: Sources, *, full_ah: float, coulombic_share: float
) -> Futures:
    """Return when the unit cuts out in each possible future, the usual charging included.

    Parameters
    ----------
    reserve, load : Reserve, Load
        From the same instant on.
    sources : Sources
        Drives happen or not day by day, together for all hours of a day; clouds differ from day to day.
    full_ah : float
        Charge above the cut-out when full. [Ah]
    coulombic_share : float
        Share of the charge put in that comes out again.
    """
    rng = np.random.default_rng(21)
    days = int(sources.day[-1]) + 1
    happens = rng.random((MEMBERS, days))
    sky = np.clip(1.0 + CLOUD_SD * rng.standard_normal((MEMBERS, days)), 0.1, 1.25)
    _, _, third = _strata()
    drawn = np.exp(0.5 * reserve.load_sd * normal_deviate(third))
    left = reserve.members_ah.copy()
    until = np.full(MEMBERS, np.inf)
    asked = np.diff(np.interp(np.arange(sources.day.size + 1), load.edges_h, load.cumulative_ah))
    for hour, ask in enumerate(asked):
        day = sources.day[hour]
        habit = sources.habit_a[hour] * (happens[:, day] < sources.habit_chance[hour])
        offered = np.maximum(habit, sources.sun_a[hour] * sky[:, day]) * coulombic_share
        taken = np.minimum(offered, taper_a(np.maximum(full_ah - left, 0.0)))
        after = left + taken - ask * drawn
        stops = np.isinf(until) & (after <= 0.0)
        falls = np.maximum(left - after, 1e-9)
        until = np.where(stops, hour + np.clip(left / falls, 0.0, 1.0), until)
        left = np.clip(after, 0.0, max(full_ah, 1e-6))
        if bool(np.all(np.isfinite(until))):
            break
    return Futures(until)


def next_dawn_ms(as_of_ms: int, settings: UnitSettings) -> int:
    """Return the next 06:00 by the site's clock, the offset of now being kept [ms]."""
    offset = site_offset_ms(np.array([as_of_ms], dtype=np.int64), settings)
    local = as_of_ms + offset
    dawn = local - local % DAY_MS + DAWN_HOUR * HOUR_MS
    return dawn + (DAY_MS if dawn <= local else 0) - offset


def chance_until(reserve: Reserve, load: Load, *, at_ms: int, from_ms: int) -> float:
    """Return the chance that the unit still runs at an instant if nothing charges until then."""
    return reserve.chance_of(load.ah_by(max(0.0, (at_ms - from_ms) / HOUR_MS)))
