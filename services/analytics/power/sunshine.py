"""What a panel puts into a bank under a clear sky, from where and when alone."""

import numpy as np

from services.telemetry import FloatArray, IntArray
from services.timebase import SECOND_MS

HAURWITZ_W_PER_M2 = 1098.0
HAURWITZ_EXPONENT = 0.059
"""Haurwitz, J. Meteorology 2 (1945) 154-166 and 5 (1948) 110-113, as coded in an open solar library
(read there): ``1098 cos z exp(-0.059 / cos z)``. No haze, no height: within some per cent of better
models where the sky is clear."""

PANEL_YIELD = 0.75
"""Dust, heat of the cells, wiring, controller (judgement, no source)."""
PANEL_V = 13.5
"""Voltage at which a controller's current is counted, at 12 V. [V]"""
CLOUD_MEAN, CLOUD_SD = 0.8, 0.2
"""Share of the clear sky's charge that comes on a day nobody knows (judgement, no source)."""

_J2000_D = 10957.5
"""Noon of 1 January 2000, in days since 1970."""


def sun_height(t_ms: IntArray, *, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the cosine of the sun's zenith angle, negative below the horizon.

    Parameters
    ----------
    t_ms : (n,) int64
        Instants. [ms since 1970-01-01 UTC]
    latitude_deg, longitude_deg : float
        North and east positive. [°]

    Returns
    -------
    (n,) float64
        Within a few hundredths of a degree between 1950 and 2050; no refraction.

    References
    ----------
    .. [1] The Astronomical Almanac, low-precision formulas for the sun (from memory).
    """
    days = np.asarray(t_ms, dtype=np.float64) / (86_400.0 * SECOND_MS) - _J2000_D
    anomaly = np.radians(357.529 + 0.98560028 * days)
    mean = 280.459 + 0.98564736 * days
    longitude = np.radians(mean + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    tilt = np.radians(23.439 - 3.6e-7 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude))
    hour_angle = np.radians(mean + 360.0 * (days % 1.0) + longitude_deg) - ascension
    latitude = np.radians(latitude_deg)
    height = np.sin(latitude) * np.sin(declination)
    return np.asarray(height + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle))


def clear_sky_w_per_m2(t_ms: IntArray, *, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the sun on level ground under a clear sky [W/m²]; see `HAURWITZ_W_PER_M2`."""
    up = np.maximum(sun_height(t_ms, latitude_deg=latitude_deg, longitude_deg=longitude_deg), 1e-3)
    shines = HAURWITZ_W_PER_M2 * up * np.exp(-HAURWITZ_EXPONENT / up)
    return np.asarray(np.where(up > 1e-3, shines, 0.0), dtype=np.float64)  # noqa: PLR2004 - the floor above


def panel_a(sun_w_per_m2: FloatArray, *, panel_wp: float, nominal_v: float) -> FloatArray:
    """Return what level panels put into a bank: watts at 1000 W/m² times sun times `PANEL_YIELD` [A]."""
    amps = sun_w_per_m2 / 1000.0 * panel_wp * PANEL_YIELD / (PANEL_V * nominal_v / 12.0)
    return np.asarray(amps, dtype=np.float64)
