"""What is not known before a trip, drawn: batteries, cabinets, days and skies."""

from dataclasses import dataclass

import numpy as np

from services.analytics.planning.banks import CURVE_SD_V
from services.analytics.power.capacity import LABEL_CAP, Capacity
from services.domain.trip import TripWeather
from services.telemetry import FloatArray

TRIPS = 200
"""Drawn trips; the standard error of a chance of 0.9 is then 0.02."""
SEED = 60228
TESTED_SHARE_SD = 0.05
START_SD = 0.04
ASSUMED_SD, GIVEN_SD = 0.15, 0.07
"""Of a cabinet's heat gain and cooling, where assumed and where given; of its logarithm (judgement)."""
FINISH_H = (0.5, 3.6)
"""Time constant of the last part of a lead-acid charge, drawn evenly in its logarithm: from a bank that takes
more than the ampere-hour law allows to four hours for the last tenth (2-4 h is common practice, the quick end
is judgement). [h]"""
LITHIUM_TAPER_H = (0.03, 0.3)
"""The same of lithium iron phosphate (judgement). [h]"""
EFFICIENCY_SD = 0.04
"""Of the share of a charge that comes out again, relative; more of it in a bank that is far from full
(judgement). [1]"""
MOST_EFFICIENCY = 0.99
CYCLING_MEAN, CYCLING_SD = 0.15, 0.12
"""What a machine that rests between runs takes out more for each hour it runs, starting warm each time, less
what refrigerant that wandered costs it; none when it never rests (judgement). [1]"""
DRAW_SD = 0.06
USE_SD = 0.5
CLOUD_SD = 0.5
"""Of the clouds' share, relative (judgement)."""
MOST_CLOUD = 0.95
LEAST_SHARE = 0.3
"""No bank that still works holds less than this of its label (judgement)."""


@dataclass(frozen=True)
class Days:
    """Arrays of (days, trips)."""

    warmer_k: FloatArray
    cloud_share: FloatArray


@dataclass(frozen=True)
class BankDraws:
    """Arrays of (trips,)."""

    capacity_share: FloatArray
    """Usable over label."""
    curve_shift_v: FloatArray
    start_soc: FloatArray
    finish_h: FloatArray
    lithium_taper_h: FloatArray
    efficiency: FloatArray
    """Factor on the share of charge that comes out again."""


@dataclass(frozen=True)
class CabinetDraws:
    """Factors on what a cabinet is taken to be, arrays of (trips,)."""

    gain: FloatArray
    cooling: FloatArray
    cycling: FloatArray
    """Added to the cooling of a machine at rest most of the time."""
    draw: FloatArray
    use: FloatArray


def rng_of(*names: str) -> np.random.Generator:
    """Return a generator of its own for each thing named, so that one more of them changes no other."""
    return np.random.default_rng([SEED, *(b for name in names for b in name.encode())])


def days_of(weather: TripWeather, days: int) -> Days:
    """Return the days: half of the weather's scatter is common to a trip, half is each day's own."""
    rng = rng_of("weather")
    common, own = rng.standard_normal((1, TRIPS)), rng.standard_normal((days, TRIPS))
    clouds = weather.cloud_share * (1.0 + CLOUD_SD * rng.standard_normal((days, TRIPS)))
    return Days(
        warmer_k=weather.spread_k * np.sqrt(0.5) * (common + own),
        cloud_share=np.clip(clouds, 0.0, MOST_CLOUD),
    )


def _evenly_in_log(ends: tuple[float, float], rng: np.random.Generator) -> FloatArray:
    low, high = ends
    return np.asarray(low * (high / low) ** rng.random(TRIPS), dtype=np.float64)


def bank_draws(bank: str, capacity: Capacity, *, label_ah: float, start_soc: float) -> BankDraws:
    """Return a bank's draws; no more than 1.08 of its label."""
    rng = rng_of("bank", bank)
    share = capacity.ah / label_ah * (1.0 + capacity.share_sd * rng.standard_normal(TRIPS))
    start = start_soc + START_SD * rng.standard_normal(TRIPS)
    return BankDraws(
        capacity_share=np.clip(share, LEAST_SHARE, LABEL_CAP),
        curve_shift_v=CURVE_SD_V * rng.standard_normal(TRIPS),
        start_soc=np.clip(start, 0.02, 1.0),
        finish_h=_evenly_in_log(FINISH_H, rng),
        lithium_taper_h=_evenly_in_log(LITHIUM_TAPER_H, rng),
        efficiency=1.0 + EFFICIENCY_SD * rng.standard_normal(TRIPS),
    )


def cabinet_draws(unit: str, *, gain_given: bool, cooling_given: bool) -> CabinetDraws:
    """Return a cabinet's draws."""
    rng = rng_of("unit", unit)
    gain_sd, cooling_sd = (GIVEN_SD if given else ASSUMED_SD for given in (gain_given, cooling_given))
    return CabinetDraws(
        gain=np.exp(gain_sd * rng.standard_normal(TRIPS)),
        cooling=np.exp(cooling_sd * rng.standard_normal(TRIPS)),
        draw=np.exp(DRAW_SD * rng.standard_normal(TRIPS)),
        use=np.exp(USE_SD * rng.standard_normal(TRIPS)),
        cycling=np.clip(CYCLING_MEAN + CYCLING_SD * rng.standard_normal(TRIPS), -0.1, 0.4),
    )
