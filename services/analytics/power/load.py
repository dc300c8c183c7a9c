"""What a bank will be asked for: a unit's duty by hour and air, its currents, and what else draws."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.ambient import (
    Ambient,
    ambient_of,
    duty_ratio,
    hourly_mean,
    round_the_clock,
)
from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.shared import BankLoad
from services.domain import UnitSettings
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS

HORIZON_H = 168
DUTY_DAYS = 8
RECENT_DAYS = 4.0
"""Days back at which what was seen counts 1/e (judgement, no source)."""
LEAST_HISTORY_MS = 2 * HOUR_MS
STANDBY_W = 0.8
"""Electronics of a unit whose current is not measured (judgement, no source)."""
DAY_SHARE_SD = 0.10
"""One day's load against another's beside what hour and air explain, before any was seen (judgement)."""
DAYS_OF_PRIOR = 3.0
STEADY_SHARE_SD = 0.05
"""What stays wrong however many days pass: other food, other habits (judgement, no source)."""
SHORT_HISTORY_SHARE_SD = 0.20
SHARED_SHARE_SD = 0.25
"""Added where other units on the bank are taken to draw like this one."""
SHAPELESS_MS = HOUR_MS
"""So much of the mean stands beside what an hour of the day itself showed (judgement)."""
TODAY_SHARE = 0.5
"""How much of today's departure from the usual goes on at first (judgement, no source)."""
TODAY_FADES_H = 36.0


@dataclass(frozen=True)
class Load:
    """What the bank will be asked for, hour by hour from an instant."""

    edges_h: FloatArray
    """Hours from the instant at which the cumulative charge is given."""
    cumulative_ah: FloatArray
    mean_a: float
    share_sd: float
    """Relative standard deviation of the load of one day."""
    steady_sd: float = STEADY_SHARE_SD
    """The part of it that does not average out over days."""

    def hours_for(self, ah: float) -> float:
        """Return how long a charge lasts; infinite past the horizon [h]."""
        return float(self.hours_of(np.array([ah]))[0])

    def hours_of(self, ah: FloatArray) -> FloatArray:
        """Return how long each of many charges lasts; infinite past the horizon [h]."""
        hours = np.interp(ah, self.cumulative_ah, self.edges_h)
        return np.asarray(np.where(ah >= self.cumulative_ah[-1], np.inf, hours), dtype=np.float64)

    def ah_by(self, hours: float) -> float:
        """Return the charge asked for within some hours [Ah]."""
        return float(np.interp(hours, self.edges_h, self.cumulative_ah))

    def sd_within(self, hours: float) -> float:
        """Return the relative standard deviation of the charge asked for within some hours."""
        days = max(1.0, hours / 24.0)
        return math.hypot(self.steady_sd, self.share_sd / math.sqrt(days))


@dataclass(frozen=True)
class Demand:
    """What a unit's past says of its load."""

    share_by_hour: FloatArray
    """(24,) Share of time its machine runs, by UTC hour."""
    air: Ambient | None
    """Of the same days."""
    air_by_hour_c: FloatArray | None
    """(24,) In which those shares were seen."""
    today_ratio: float
    """The last day's running over what hour and air explain."""
    running_a: float
    standby_a: float
    seen_ms: int
    day_sd: float

    @property
    def mean_a(self) -> float:
        """The unit's own mean current on a usual day [A]."""
        return float(np.mean(self.share_by_hour)) * (self.running_a - self.standby_a) + self.standby_a

    def amps_ahead(self, from_ms: int, hours: FloatArray, *, inside_c: float) -> FloatArray:
        """Return the unit's own current expected some hours after an instant [A]."""
        hour = ((from_ms + hours * HOUR_MS) // HOUR_MS % 24).astype(np.int64)
        share = self.share_by_hour[hour]
        if self.air is not None and self.air_by_hour_c is not None:
            there = self.air.ahead_c(from_ms, hours)
            share = share * duty_ratio(there, self.air_by_hour_c[hour], inside_c)
        share = share * (1.0 + (self.today_ratio - 1.0) * TODAY_SHARE * np.exp(-hours / TODAY_FADES_H))
        return np.asarray(
            np.clip(share, 0.0, 1.0) * (self.running_a - self.standby_a) + self.standby_a, dtype=np.float64
        )


def duty_by_hour(frame: Frame, ordinary: BoolArray, *, as_of_ms: int) -> tuple[FloatArray, float, int]:
    """Return the share of time the compressor runs by UTC hour, its mean, and the time looked at.

    Parameters
    ----------
    frame : Frame
        Samples.
    ordinary : (n,) bool
        False inside cut-outs, which say nothing of the need for cooling.
    as_of_ms : int
        The `DUTY_DAYS` before it are looked at, newer ones counting more. [ms]

    Returns
    -------
    tuple
        (24,) shares; the mean share; milliseconds of data. An hour seen little leans on the mean of all:
        the cycles in it say more of their phase than of the hour.
    """
    recent = ordinary & (frame.t_ms >= as_of_ms - DUTY_DAYS * DAY_MS)
    held = np.where(recent, frame.held_ms, 0).astype(np.float64)
    seen_ms = float(np.sum(held))
    if seen_ms <= 0:
        return np.zeros(24), 0.0, 0
    weight = held * np.exp((frame.t_ms - as_of_ms) / (RECENT_DAYS * DAY_MS))
    hour = frame.t_ms // HOUR_MS % 24
    weighed = np.bincount(hour, weights=weight, minlength=24)
    ran = np.bincount(hour, weights=weight * frame.on, minlength=24)
    mean = float(np.sum(held * frame.on)) / seen_ms
    recently = float(np.sum(ran)) / float(np.sum(weighed))
    shares = (ran + SHAPELESS_MS * recently) / (weighed + SHAPELESS_MS)
    return shares, mean, round(seen_ms)


def demand_of(frame: Frame, ordinary: BoolArray, settings: UnitSettings, *, as_of_ms: int) -> Demand | None:
    """Return what a unit's past says of its load; None with less than two hours of ordinary running."""
    shares, _, seen_ms = duty_by_hour(frame, ordinary, as_of_ms=as_of_ms)
    if seen_ms < LEAST_HISTORY_MS:
        return None
    air = ambient_of(frame, as_of_ms=as_of_ms)
    recent = frame.t_ms >= as_of_ms - DUTY_DAYS * DAY_MS
    by_hour = None
    if air is not None:
        mean, _ = hourly_mean(frame.t_ms[recent], frame.ambient_c[recent])
        by_hour = round_the_clock(mean) if bool(np.any(np.isfinite(mean))) else None
    ratios, today = _days(frame, ordinary, shares, by_hour, settings.set_point_c, as_of_ms=as_of_ms)
    seen = float(np.sum((ratios - 1.0) ** 2)) if ratios.size else 0.0
    day_sd = math.sqrt((seen + DAYS_OF_PRIOR * DAY_SHARE_SD**2) / (ratios.size + DAYS_OF_PRIOR))
    running_a, standby_a = _currents(frame, settings, since_ms=as_of_ms - DUTY_DAYS * DAY_MS)
    return Demand(
        share_by_hour=shares,
        air=air if by_hour is not None else None,
        air_by_hour_c=by_hour,
        today_ratio=today,
        running_a=running_a,
        standby_a=standby_a,
        seen_ms=seen_ms,
        day_sd=min(0.4, day_sd) if seen_ms >= DAY_MS else SHORT_HISTORY_SHARE_SD,
    )


def standby_a(frame: Frame, settings: UnitSettings) -> FloatArray:
    """Return what the unit's electronics draw while the machine rests, where no current is measured [A]."""
    unmeasured = ~np.isfinite(frame.current_a) & ~frame.on
    return np.asarray(np.where(unmeasured, STANDBY_W / settings.nominal_v, 0.0), dtype=np.float64)


def _currents(frame: Frame, settings: UnitSettings, *, since_ms: int) -> tuple[float, float]:
    """Return the current while running and while not, measured where it is measured [A]."""
    recent = (frame.t_ms >= since_ms) & np.isfinite(frame.current_a)
    on, off = frame.current_a[recent & frame.on], frame.current_a[recent & ~frame.on]
    running = float(np.mean(on)) if on.size else settings.running_a
    standby = float(np.mean(off)) if off.size else STANDBY_W / settings.nominal_v
    return running, min(standby, running)


def _days(
    frame: Frame,
    ordinary: BoolArray,
    shares: FloatArray,
    air_by_hour_c: FloatArray | None,
    inside_c: float,
    *,
    as_of_ms: int,
) -> tuple[FloatArray, float]:
    """Return each past day's running over what its hours and air explain, and the last 24 hours'.

    A day counts with twelve hours of data; a ratio is held to 0.4 … 2.5.
    """
    hour = frame.t_ms // HOUR_MS % 24
    expected = shares[hour]
    if air_by_hour_c is not None:
        here = air_by_hour_c[hour]
        there = np.where(np.isfinite(frame.ambient_c), frame.ambient_c, here)
        expected = expected * duty_ratio(there, here, inside_c)
    held = np.where(ordinary, frame.held_ms, 0).astype(np.float64)
    age = ((as_of_ms - frame.t_ms) // DAY_MS).astype(np.int64)
    near = (age >= 0) & (age < DUTY_DAYS)
    ran, meant, seen = (
        np.bincount(age[near], weights=w[near], minlength=DUTY_DAYS)
        for w in (held * frame.on, held * expected, held)
    )
    full = (seen >= DAY_MS / 2) & (meant > 0)
    ratios = np.clip(ran[full] / meant[full], 0.4, 2.5)
    return ratios, float(ratios[0]) if bool(full[0]) else 1.0


def load_of(
    demand: Demand,
    settings: UnitSettings,
    *,
    from_ms: int,
    others: BankLoad | None = None,
) -> Load:
    """Return the load expected from an instant on.

    Parameters
    ----------
    demand : Demand
        This unit's own.
    settings : UnitSettings
        The bank's other load; how many units share it.
    from_ms : int
        Where hours count from. [ms]
    others : BankLoad, optional
        What the bank's other units draw; without it they are taken to draw like this one, widely.
    """
    first = (HOUR_MS - from_ms % HOUR_MS) / HOUR_MS
    edges = np.concatenate([[0.0], first + np.arange(HORIZON_H + 1.0)])
    middle = (edges[:-1] + edges[1:]) / 2.0
    own = demand.amps_ahead(from_ms, middle, inside_c=settings.set_point_c)
    bank = settings.bank
    amps = own + (0.0 if bank is None else bank.other_load_a)
    share_sd = demand.day_sd
    if others is not None:
        amps = amps + others.amps_ahead(from_ms, middle)
    elif settings.units_on_bank > 1:
        amps = amps + own * (settings.units_on_bank - 1)
        share_sd = math.hypot(share_sd, SHARED_SHARE_SD)
    cumulative = np.concatenate([[0.0], np.cumsum(amps * np.diff(edges))])
    return Load(edges, cumulative, float(np.mean(amps)), share_sd)
