"""How warm it will be around a unit: its own hours of the day, and how far today is off them."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import Frame
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

PERSISTENCE_H = 36.0
"""A warm spell fades to 1/e in a day and a half (judgement, no source)."""
DAY_SD_K = 2.0
"""How far a day still to come is off the last week's mean day (judgement, no source; a season moves by
less than 1 K in a week, which is inside it)."""
FEWEST_HOURS = 6
LESS_COLD_PER_K = 0.015
"""Cooling lost per kelvin of warmer air: 0.010 to 0.020, from volumetric capacity over condensing
temperature worked out with a property library. [1/K]"""
FOLLOWS_SHARE = 0.8
"""Share of the duty that follows the air; the rest is use (judgement, no source)."""


@dataclass(frozen=True)
class Ambient:
    """The surroundings of a unit by hour of the day, and how much warmer than that it is now."""

    by_hour_c: FloatArray
    """(24,) Mean by UTC hour; hours never measured are filled from those beside them. [°C]"""
    off_k: float
    """The last day less the mean of its hours. [K]"""

    def ahead_c(self, from_ms: int, hours: FloatArray) -> FloatArray:
        """Return the surroundings expected some hours after an instant.

        Parameters
        ----------
        from_ms : int
            Now. [ms]
        hours : (n,) float64
            From then. [h]

        Returns
        -------
        (n,) float64
            The hour's mean, plus what today is off it, fading over `PERSISTENCE_H`. [°C]
        """
        hour = ((from_ms + hours * HOUR_MS) // HOUR_MS % 24).astype(np.int64)
        return np.asarray(self.by_hour_c[hour] + self.off_k * np.exp(-hours / PERSISTENCE_H))


def hourly_mean(t_ms: IntArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean of values by UTC hour of the day and how many there were; NaN without any."""
    known = np.isfinite(values)
    hour = t_ms[known] // HOUR_MS % 24
    count = np.bincount(hour, minlength=24).astype(np.float64)
    total = np.bincount(hour, weights=values[known], minlength=24)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, total / np.maximum(count, 1.0), np.nan), count


def round_the_clock(by_hour: FloatArray) -> FloatArray:
    """Return 24 values with missing ones filled by straight lines round the clock; all NaN stay so."""
    known = np.flatnonzero(np.isfinite(by_hour))
    if known.size == 0:
        return by_hour
    place = np.concatenate([known - 24, known, known + 24])
    return np.asarray(np.interp(np.arange(24), place, np.tile(by_hour[known], 3)), dtype=np.float64)


def ambient_of(frame: Frame, *, as_of_ms: int) -> Ambient | None:
    """Return what the samples before an instant say of the surroundings.

    None where fewer than six hours of the day were ever measured.
    """
    before = frame.t_ms <= as_of_ms
    t_ms, values = frame.t_ms[before], frame.ambient_c[before]
    mean, count = hourly_mean(t_ms, values)
    if int(np.sum(count > 0)) < FEWEST_HOURS:
        return None
    by_hour = round_the_clock(mean)
    day = (t_ms > as_of_ms - DAY_MS) & np.isfinite(values)
    off = values[day] - by_hour[t_ms[day] // HOUR_MS % 24]
    return Ambient(by_hour, float(np.mean(off)) if off.size else 0.0)


def spread_k(hours: FloatArray) -> FloatArray:
    """Return how far the expected surroundings may be off after some hours, one standard deviation [K]."""
    return np.asarray(DAY_SD_K * np.sqrt(1.0 - np.exp(-2.0 * hours / PERSISTENCE_H)), dtype=np.float64)


def duty_ratio(there_c: FloatArray, here_c: FloatArray, inside_c: float) -> FloatArray:
    """Return how much more a machine runs in one air than in another.

    Parameters
    ----------
    there_c, here_c : (n,) float64
        The surroundings asked about, and those in which the duty is known. [°C]
    inside_c : float
        The cabinet. [°C]

    Returns
    -------
    (n,) float64
        The heat gain goes with the difference to the cabinet, what the machine removes falls by
        `LESS_COLD_PER_K` of its value at 32 °C; a fifth of the duty does not
        follow the air (lids, food, fans).
    """
    gain = np.maximum(there_c - inside_c, 2.0) / np.maximum(here_c - inside_c, 2.0)
    cold = (1.0 - LESS_COLD_PER_K * (here_c - 32.0)) / (1.0 - LESS_COLD_PER_K * (there_c - 32.0))
    full = gain * np.clip(cold, 0.5, 2.0)
    return np.asarray(FOLLOWS_SHARE * full + 1.0 - FOLLOWS_SHARE, dtype=np.float64)
