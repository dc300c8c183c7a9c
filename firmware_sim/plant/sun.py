"""Where the sun stands and what it gives under a clear sky, without any state."""

import math
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from services.telemetry import FloatArray
from services.timebase import DAY_MS, datetime_of

SOLAR_W_PER_M2 = 1366.1
"""Outside the air at the mean distance. [W/m²] The value of the clear-sky model's own users."""

DEFAULT_TURBIDITY = 3.5
"""Linke turbidity where the table knows nothing. [1] Judgement: between dry winter and hazy summer."""

GROUND_SHARE = 0.2
"""Sun that the ground throws back. [1] Common practice, no source."""

HORIZON_DEG = -0.833
"""Height of the sun's middle when its rim shows: refraction and half its width. [°]"""

J2000_D = 10957.5
"""Noon of 1 January 2000, in days since 1970."""


@dataclass(frozen=True)
class Sun:
    """Where the sun stands."""

    cos_zenith: FloatArray
    """[1]"""
    azimuth_rad: FloatArray
    """From north over east. [rad]"""


@dataclass(frozen=True)
class Sky:
    """What arrives under a clear sky. [W/m²]."""

    flat: FloatArray
    """On level ground."""
    beam: FloatArray
    """Straight from the sun, on a plane facing it."""
    diffuse: FloatArray
    """From the rest of the sky, on level ground."""


def _declination(days: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return right ascension, declination and mean longitude of the sun. [rad]."""
    mean_anomaly = np.radians(357.529 + 0.98560028 * days)
    mean_longitude = np.radians(280.459 + 0.98564736 * days)
    longitude = mean_longitude + np.radians(1.915 * np.sin(mean_anomaly) + 0.020 * np.sin(2 * mean_anomaly))
    tilt = np.radians(23.439 - 3.6e-7 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    return ascension, np.arcsin(np.sin(tilt) * np.sin(longitude)), mean_longitude


def sun_at(t_s: FloatArray, *, latitude_deg: float, longitude_deg: float) -> Sun:
    """Return where the sun stands.

    Parameters
    ----------
    t_s : (n,) float64
        Since 1970-01-01 UTC. [s]
    latitude_deg, longitude_deg : float
        North and east positive. [°]

    Returns
    -------
    Sun
        Within some hundredths of a degree between 1950 and 2050; without refraction.

    References
    ----------
    .. [1] The Astronomical Almanac, low-precision formulas for the sun, from memory.
    """
    days = t_s / 86_400.0 - J2000_D
    ascension, declination, _ = _declination(days)
    sidereal = np.radians(15.0 * (18.697374558 + 24.06570982441908 * days) + longitude_deg)
    hour_angle = sidereal - ascension
    latitude = math.radians(latitude_deg)
    cos_zenith = math.sin(latitude) * np.sin(declination) + math.cos(latitude) * np.cos(declination) * np.cos(
        hour_angle
    )
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.sin(declination) * math.cos(latitude) - np.cos(declination) * math.sin(latitude) * np.cos(
        hour_angle
    )
    return Sun(cos_zenith, np.arctan2(east, north) % (2.0 * np.pi))


def daylight_h(day: int, *, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Return sunrise and sunset [h UTC] of the day around local noon; equal when there is none.

    Parameters
    ----------
    day : int
        Local day since 1970-01-01.
    latitude_deg, longitude_deg : float
        [°]
    """
    noon_d = np.array([day + 0.5 - longitude_deg / 360.0 - J2000_D])
    ascension, declination, mean_longitude = _declination(noon_d)
    ahead = (mean_longitude - ascension + np.pi) % (2.0 * np.pi) - np.pi
    noon_h = 12.0 - longitude_deg / 15.0 - math.degrees(float(ahead[0])) / 15.0
    latitude, height = math.radians(latitude_deg), float(declination[0])
    cosine = (math.sin(math.radians(HORIZON_DEG)) - math.sin(latitude) * math.sin(height)) / (
        math.cos(latitude) * math.cos(height)
    )
    half_h = math.degrees(math.acos(min(max(cosine, -1.0), 1.0))) / 15.0
    return noon_h - half_h, noon_h + half_h


def clear_sky(cos_zenith: FloatArray, *, day_of_year: int, altitude_m: float, turbidity: float) -> Sky:
    """Return the sun under a clear sky.

    Parameters
    ----------
    cos_zenith : (n,) float64
        [1]
    day_of_year : int
        1 January is 1.
    altitude_m : float
        [m]
    turbidity : float
        Linke turbidity at an air mass of 2. [1]

    Returns
    -------
    Sky

    References
    ----------
    .. [1] Ineichen and Perez, Solar Energy 73 (2002) 151-157: the model.
    .. [2] Kasten and Young, Applied Optics 28 (1989) 4735-4738: air mass.
    .. [3] Spencer, Search 2 (1971) 172: distance of the sun.
    """
    up = np.maximum(cos_zenith, 0.0)
    height_deg = np.degrees(np.arcsin(np.minimum(up, 1.0)))
    pressure_share = (1.0 - 2.25577e-5 * altitude_m) ** 5.25588
    mass = pressure_share / (up + 0.50572 * (6.07995 + height_deg) ** -1.6364)
    turn = 2.0 * math.pi * (day_of_year - 1) / 365.0
    distance = 1.00011 + 0.034221 * math.cos(turn) + 0.00128 * math.sin(turn)
    distance += 0.000719 * math.cos(2.0 * turn) + 0.000077 * math.sin(2.0 * turn)
    outside = SOLAR_W_PER_M2 * distance
    low, high = math.exp(-altitude_m / 8000.0), math.exp(-altitude_m / 1250.0)
    fade = (3.92e-5 * altitude_m + 0.0387) * mass * (low + high * (turbidity - 1.0))
    flat = (5.09e-5 * altitude_m + 0.868) * outside * up * np.exp(-fade)
    beam = outside * (0.664 + 0.163 / low) * np.exp(-0.09 * mass * (turbidity - 1.0))
    most = 1.0 - (0.1 - 0.2 * math.exp(-turbidity)) / (0.1 + 0.882 / low)
    beam = np.minimum(beam, flat * most / np.maximum(up, 1e-6))
    return Sky(flat, beam, flat - beam * up)


def on_tilted(sky: Sky, sun: Sun, *, tilt_deg: float, latitude_deg: float) -> FloatArray:
    """Return the sun on a panel that leans towards the equator, the sky taken as equally bright. [W/m²]."""
    tilt, facing = math.radians(tilt_deg), math.pi if latitude_deg >= 0.0 else 0.0
    up = np.maximum(sun.cos_zenith, 0.0)
    level = np.sqrt(np.maximum(1.0 - up * up, 0.0))
    meets = up * math.cos(tilt) + level * math.sin(tilt) * np.cos(sun.azimuth_rad - facing)
    around = sky.diffuse * (1.0 + math.cos(tilt)) / 2.0
    ground = GROUND_SHARE * sky.flat * (1.0 - math.cos(tilt)) / 2.0
    return sky.beam * np.maximum(meets, 0.0) + around + ground


@cache
def _table() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the latitudes, the longitudes and (latitudes, longitudes, months) of the haze table."""
    source = resources.files("firmware_sim.plant") / "data" / "linke_turbidity.csv"
    lines = [line for line in source.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    latitudes, longitudes = np.unique(rows[:, 0]), np.unique(rows[:, 1])
    return latitudes, longitudes, rows[:, 2:].reshape(latitudes.size, longitudes.size, 12)


def _between(axis: FloatArray, value: float) -> tuple[int, float]:
    low = int(np.clip(np.searchsorted(axis, value, side="right") - 1, 0, axis.size - 2))
    return low, (value - float(axis[low])) / float(axis[low + 1] - axis[low])


def turbidity_of(day: int, *, latitude_deg: float, longitude_deg: float) -> float:
    """Return the Linke turbidity of a day at a place, `DEFAULT_TURBIDITY` outside the table.

    Straight lines join the table's points, and the middles of its months.
    """
    latitudes, longitudes, table = _table()
    (i, north), (k, east) = _between(latitudes, latitude_deg), _between(longitudes, longitude_deg)
    if not (0.0 <= north <= 1.0 and 0.0 <= east <= 1.0):
        return DEFAULT_TURBIDITY
    west_side = table[i, k] * (1.0 - north) + table[i + 1, k] * north
    east_side = table[i, k + 1] * (1.0 - north) + table[i + 1, k + 1] * north
    months = west_side * (1.0 - east) + east_side * east
    date = datetime_of(day * DAY_MS)
    around = np.concatenate([months[-1:], months, months[:1]])
    return float(np.interp(date.month - 1 + (date.day - 15) / 30.4, np.arange(-1, 13), around))
