"""How long food stays under its limit once the compressor stands still."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.food.enthalpy import LEAN_BEEF, apparent_kj_per_kg_k, enthalpy_kj_per_kg
from services.analytics.power.charge import Z10
from services.analytics.power.frame import Frame, Runs
from services.domain import Quantiles, UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

DEFAULT_AMBIENT_C = 32.0
"""Where no ambient is measured: a hot afternoon in the shade (judgement, no source)."""
DEFAULT_LOAD_KG = 3.0
CABINET_W_PER_K = 0.64
CABINET_VOLUME_L = 82.0
"""Heat gain of a well-made 82 L cabinet with 50 mm of foam, worked out from its walls and gasket; other
sizes as volume to the two thirds, 60 L where the file names none."""
DEFAULT_VOLUME_L = 60.0
LINER_J_PER_K = 6000.0
"""Liner and air (judgement, no source)."""
CHILLED_J_PER_KG_K = 3500.0
FROZEN_J_PER_KG_K = 2800.0
"""Chilled food about 3.5 kJ/(kg K); frozen lean beef between -18 and -15 °C takes 8.3 kJ/kg."""
FROZEN_BELOW_C = -5.0
LONG_OFF_MS = 45 * MINUTE_MS
"""An off period must last this long before its slope speaks for the food and not the air."""
TAU_SHARE_SD = 0.35
LEARNED_SHARE_SD = 0.25
FOOD_LAG_MS = 95 * MINUTE_MS
FOOD_SD_K = 0.5
LONGEST_H = 168.0
PROBE_FRESH_MS = 30 * MINUTE_MS
"""A probe further behind the newest temperature has nothing to say of the food now (judgement)."""


@dataclass(frozen=True, slots=True)
class HoldOver:
    """Hours from the moment cooling stops until the food reaches its limit."""

    hours: Quantiles
    at_ms: int
    """When the food was last known at `food_c`: the newest temperature."""
    food_c: float
    ambient_c: float
    time_constant_s: float
    assumed: tuple[str, ...]


def hours_to_limit(*, start_c: float, limit_c: float, ambient_c: float, time_constant_s: float) -> float:
    """Return how long a first-order warm-up takes to reach a limit.

    Parameters
    ----------
    start_c, limit_c, ambient_c : float
        Food now, its limit, and what surrounds the cabinet. [°C]
    time_constant_s : float
        Heat capacity over heat gain. [s]

    Returns
    -------
    float
        ``tau ln((Ta - T0) / (Ta - limit))``; 0 at or above the limit, infinite when the surroundings never
        carry it there. [h]
    """
    if start_c >= limit_c:
        return 0.0
    if ambient_c <= limit_c:
        return math.inf
    return time_constant_s / 3600.0 * math.log((ambient_c - start_c) / (ambient_c - limit_c))


MELTING_STEPS = 200


def frozen_hours_to_limit(
    *,
    load_kg: float,
    liner_j_per_k: float,
    start_c: float,
    limit_c: float,
    ambient_c: float,
    gain_w_per_k: float,
) -> float:
    """Return how long frozen food takes to reach a limit, its melting ice included.

    Parameters
    ----------
    load_kg, liner_j_per_k : float
        Lean beef, and what warms with it without melting. [kg, J/K]
    start_c, limit_c, ambient_c : float
        Food now, its limit, and what surrounds the cabinet. [°C]
    gain_w_per_k : float
        Heat gain of the cabinet. [W/K]

    Returns
    -------
    float
        ``Σ (m ΔH + C ΔT) / (UA (Ta - T))`` over small steps of temperature; 0 at or above the limit, infinite
        when the surroundings never carry it there. [h]

    References
    ----------
    .. [1] Heat content after Chen (see `enthalpy_kj_per_kg`). The food is taken as one temperature, so the
       edge of a thick block passes the limit sooner than this.
    """
    if start_c >= limit_c:
        return 0.0
    if ambient_c <= limit_c:
        return math.inf
    t_c = np.linspace(start_c, limit_c, MELTING_STEPS + 1)
    taken = 1000.0 * load_kg * np.diff(enthalpy_kj_per_kg(t_c, LEAN_BEEF)) + liner_j_per_k * np.diff(t_c)
    middle = (t_c[1:] + t_c[:-1]) / 2
    return float(np.sum(taken / (gain_w_per_k * (ambient_c - middle)))) / 3600.0


def gain_w_per_k(settings: UnitSettings) -> float:
    """Return the heat gain a cabinet of this volume is taken to have [W/K]."""
    volume = settings.unit.volume_l
    litres = DEFAULT_VOLUME_L if volume is None else volume
    return float(CABINET_W_PER_K * (litres / CABINET_VOLUME_L) ** (2.0 / 3.0))


def _frozen_hours(
    settings: UnitSettings, *, food_c: float, limit_c: float, ambient_c: float, learned_s: float | None
) -> float:
    """Return the middle of a freezer's hold-over; a learned time constant stands for its gain now [h]."""
    declared = settings.unit.food.load_kg
    load_kg = DEFAULT_LOAD_KG if declared is None else declared
    gain = gain_w_per_k(settings)
    if learned_s is not None:
        now = float(apparent_kj_per_kg_k(np.array([min(food_c, FROZEN_BELOW_C)]), LEAN_BEEF)[0])
        gain = (LINER_J_PER_K + 1000.0 * load_kg * now) / learned_s
    return frozen_hours_to_limit(
        load_kg=load_kg,
        liner_j_per_k=LINER_J_PER_K,
        start_c=food_c,
        limit_c=limit_c,
        ambient_c=ambient_c,
        gain_w_per_k=gain,
    )


def heat_capacity_j_per_k(load_kg: float, *, frozen: bool) -> float:
    """Return the heat capacity of liner, air and so much food, without any of it melting [J/K]."""
    return LINER_J_PER_K + (FROZEN_J_PER_KG_K if frozen else CHILLED_J_PER_KG_K) * load_kg


def default_time_constant_s(settings: UnitSettings, *, limit_c: float) -> float:
    """Return the warm-up time constant of the loaded cabinet from its volume and load [s]."""
    load_kg = settings.unit.food.load_kg
    load = DEFAULT_LOAD_KG if load_kg is None else load_kg
    return heat_capacity_j_per_k(load, frozen=limit_c <= FROZEN_BELOW_C) / gain_w_per_k(settings)


def time_constants_s(frame: Frame, runs: Runs, *, ambient_c: float) -> tuple[IntArray, FloatArray]:
    """Return when the long off periods of a log began, and the time constant each one shows.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.
    ambient_c : float
        Used where no ambient was measured; NaN leaves those off periods out. [°C]

    Returns
    -------
    (n,) int64
        Starts. [ms]
    (n,) float64
        ``dt / ln((Ta - T_start) / (Ta - T_end))``, the first ten minutes left out since then the air alone
        warms. [s]
    """
    span = frame.t_ms[runs.last] - runs.start_ms if runs.first.size else np.empty(0, np.int64)
    long = ~runs.on & (span >= LONG_OFF_MS)
    begin = np.searchsorted(frame.t_ms, runs.start_ms[long] + 10 * MINUTE_MS)
    end = runs.last[long]
    ambient = np.where(np.isfinite(frame.ambient_c[end]), frame.ambient_c[end], ambient_c)
    hot = ambient - frame.cabinet_c[begin]
    left = ambient - frame.cabinet_c[end]
    with np.errstate(divide="ignore", invalid="ignore"):
        tau = (frame.t_ms[end] - frame.t_ms[begin]) / 1000.0 / np.log(hot / left)
        usable = (left > 2.0) & (hot > left) & np.isfinite(tau)  # noqa: PLR2004 - near ambient nothing is seen
    return runs.start_ms[long][usable], tau[usable]


def learned_time_constant_s(frame: Frame, runs: Runs, *, ambient_c: float) -> float | None:
    """Return the median of `time_constants_s`; None with fewer than two [s]."""
    _, tau = time_constants_s(frame, runs, ambient_c=ambient_c)
    return float(np.median(tau)) if tau.size > 1 else None


def food_now_c(series: Series, *, as_of_ms: int) -> float | None:
    """Return the food as modelled: a fresh probe, else the cabinet behind a 95 min lag [°C]."""
    day = series.between(as_of_ms - DAY_MS, as_of_ms + 1)
    probe = day.numbers("product_c")
    cabinet = day.numbers("cabinet_c")
    probed = np.flatnonzero(np.isfinite(probe))
    if probed.size:
        measured = np.flatnonzero(np.isfinite(cabinet))
        newest_ms = int(day.t_ms[measured[-1]]) if measured.size else int(day.t_ms[probed[-1]])
        if newest_ms - int(day.t_ms[probed[-1]]) <= PROBE_FRESH_MS:
            return float(probe[probed[-1]])
    known = np.isfinite(cabinet)
    if not bool(np.any(known)):
        return None
    return _lagged(day.t_ms[known], cabinet[known], as_of_ms)


def _lagged(t_ms: IntArray, values: FloatArray, as_of_ms: int) -> float:
    """Return the exponentially weighted mean of values that each held until the next [same unit]."""
    ends = np.append(t_ms[1:], max(as_of_ms, int(t_ms[-1]) + 1))
    weight = np.exp(-(as_of_ms - ends) / FOOD_LAG_MS) - np.exp(-(as_of_ms - t_ms) / FOOD_LAG_MS)
    return float(np.sum(weight * values) / np.sum(weight))


def last_known_ms(series: Series) -> int | None:
    """Return the time of the newest temperature of food or cabinet; None where there is none [ms]."""
    known = np.isfinite(series.numbers("cabinet_c")) | np.isfinite(series.numbers("product_c"))
    return int(series.t_ms[known][-1]) if bool(np.any(known)) else None


def ambient_now_c(series: Series, *, as_of_ms: int) -> float | None:
    """Return the warmer of the last day's mean and the last hour's mean of the surroundings [°C]."""
    means = []
    for span_ms in (DAY_MS, HOUR_MS):
        part = series.between(as_of_ms - span_ms, as_of_ms + 1).numbers("ambient_c")
        if bool(np.any(np.isfinite(part))):
            means.append(float(np.nanmean(part)))
    return max(means) if means else None


def hold_over(
    series: Series, frame: Frame, runs: Runs, settings: UnitSettings, *, as_of_ms: int, limit_c: float
) -> HoldOver | None:
    """Return the hold-over from the food's present temperature; None when no temperature is known.

    Parameters
    ----------
    series : Series
        For the probe and the cabinet, with or without a compressor state.
    frame, runs : Frame, Runs
        For what long off periods teach.
    settings : UnitSettings
        Load, volume.
    as_of_ms : int
        Now. [ms]
    limit_c : float
        The food's limit. [°C]

    Returns
    -------
    HoldOver or None
        First-order uncertainty: the time constant lognormal, the food's temperature ± 0.5 K. What the
        food did after the newest temperature is not guessed.
    """
    at_ms = last_known_ms(series)
    food_c = None if at_ms is None else food_now_c(series, as_of_ms=at_ms)
    if at_ms is None or food_c is None or as_of_ms - at_ms > DAY_MS:
        return None
    assumed = []
    measured = ambient_now_c(series, as_of_ms=as_of_ms)
    if measured is None:
        assumed.append(f"surroundings {DEFAULT_AMBIENT_C:g} °C for the hold-over")
    ambient_c = DEFAULT_AMBIENT_C if measured is None else measured
    if settings.unit.food.load_kg is None:
        assumed.append(f"load {DEFAULT_LOAD_KG:g} kg for the hold-over")
    learned = learned_time_constant_s(frame, runs, ambient_c=ambient_c)
    default = default_time_constant_s(settings, limit_c=limit_c)
    tau, share_sd = (default, TAU_SHARE_SD) if learned is None else (learned, LEARNED_SHARE_SD)
    if settings.unit.kind == "freezer":
        middle = _frozen_hours(
            settings, food_c=food_c, limit_c=limit_c, ambient_c=ambient_c, learned_s=learned
        )
    else:
        middle = hours_to_limit(start_c=food_c, limit_c=limit_c, ambient_c=ambient_c, time_constant_s=tau)
    hours = _quantiles(middle, limit_c - food_c, share_sd)
    return HoldOver(hours, at_ms, food_c, ambient_c, tau, tuple(assumed))


def _quantiles(middle: float, room_k: float, share_sd: float) -> Quantiles:
    """Return the hold-over as a range, capped at a week."""
    if middle == 0.0:
        return Quantiles(p10=0.0, p50=0.0, p90=0.0)
    if not math.isfinite(middle):
        return Quantiles(p10=LONGEST_H, p50=LONGEST_H, p90=LONGEST_H)
    relative = math.hypot(share_sd, FOOD_SD_K / max(room_k, 0.1))
    low, mid, high = (min(LONGEST_H, middle * math.exp(z * relative)) for z in (-Z10, 0.0, Z10))
    return Quantiles(p10=low, p50=mid, p90=high)
