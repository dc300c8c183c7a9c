"""Air and daylight of a day to come: temperature by its two extremes, the sun by place and date."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.sunshine import sun_height
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

DUSK_TAU_H = 4.0
"""Time constant of the air's cooling after sunset (Goudriaan and van Laar, 1994, from memory)."""
NOON_LAG_H = 1.5
"""The air is warmest this long after solar noon (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the sun is looked for."""

    latitude_deg: float | None
    longitude_deg: float


def solar_hour(t_ms: IntArray, place: Place) -> FloatArray:
    """Return the hour by the mean sun, 12 when it stands highest, a quarter of an hour off at most [h]."""
    hours = np.asarray(t_ms, dtype=np.float64) / HOUR_MS
    return np.asarray((hours + place.longitude_deg / 15.0) % 24.0, dtype=np.float64)


def sun_height_share(t_ms: IntArray, place: Place) -> FloatArray:
    """Return the cosine of the sun's distance from the zenith, 0 at night; else at the equator."""
    latitude = 0.0 if place.latitude_deg is None else place.latitude_deg
    height = sun_height(t_ms, latitude_deg=latitude, longitude_deg=place.longitude_deg)
    return np.maximum(0.0, height)


def day_length_h(t_ms: int, place: Place) -> float:
    """Return the hours from sunrise to sunset of the day that begins at an instant [h]."""
    minutes = t_ms + 5 * MINUTE_MS * np.arange(288, dtype=np.int64)
    return 24.0 * float(np.mean(sun_height_share(minutes, place) > 0.0))


def air_c(hour: FloatArray, *, night_c: float, day_c: float, length_h: float) -> FloatArray:
    """Return the air in the shade over a day of two extremes, without a step at dawn.

    Parameters
    ----------
    hour : (n,) float64
        By the sun. [h]
    night_c, day_c : float
        Lowest, at sunrise, and highest. [°C]
    length_h : float
        From sunrise to sunset. [h]

    Returns
    -------
    (n,) float64
        A sine from sunrise over the afternoon, from sunset an exponential that ends on `night_c`. [°C]

    References
    ----------
    .. [1] Goudriaan and van Laar, Modelling Potential Crop Growth Processes (1994), from memory.
    """
    rise, dusk = 12.0 - length_h / 2.0, 12.0 + length_h / 2.0
    since = (np.asarray(hour, dtype=np.float64) - rise) % 24.0
    day = night_c + (day_c - night_c) * np.sin(np.pi * since / (length_h + 2.0 * NOON_LAG_H))
    at_dusk = night_c + (day_c - night_c) * math.sin(math.pi * length_h / (length_h + 2.0 * NOON_LAG_H))
    night_h = 24.0 - length_h
    gone = math.exp(-night_h / DUSK_TAU_H)
    after = since - (dusk - rise)
    night = (night_c - at_dusk * gone + (at_dusk - night_c) * np.exp(-after / DUSK_TAU_H)) / (1.0 - gone)
    return np.where(since < length_h, day, night)
