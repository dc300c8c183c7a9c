"""Air over the day and the year, without any state: any instant can be asked for."""

import math
from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray

NIGHT_DECAY_H = 4.0
"""How fast air cools after sunset. [h] Goudriaan and van Laar (1994), from memory."""

MAXIMUM_AFTER_NOON_H = 2.0
"""The warmest moment lags solar noon by about this. [h] Common practice, no source."""


def air_c(
    hour: FloatArray,
    *,
    minimum_c: float,
    maximum_c: float,
    before_c: float,
    before_minimum_c: float,
    after_minimum_c: float,
    sunrise_h: float,
    sunset_h: float,
) -> FloatArray:
    """Return outdoor air temperature over one local day, joined to the days around it.

    A sine from sunrise, an exponential fall from sunset to the next sunrise's minimum.

    Parameters
    ----------
    hour : (n,) float64
        Local solar time, 0 to 24. [h]
    minimum_c, maximum_c : float
        Of this day; the minimum stands at sunrise. [°C]
    before_c, before_minimum_c : float
        Maximum and minimum of the day before, for the hours before sunrise. [°C]
    after_minimum_c : float
        Minimum of the day after, towards which the evening cools. [°C]
    sunrise_h, sunset_h : float
        [h]

    Returns
    -------
    (n,) float64
        [°C]

    References
    ----------
    .. [1] Goudriaan and van Laar, Modelling Potential Crop Growth Processes (1994), from memory.
    """
    day_h = sunset_h - sunrise_h
    night_h = 24.0 - day_h
    stretch_h = day_h + 2.0 * MAXIMUM_AFTER_NOON_H

    def daytime(at_h: FloatArray, low_c: float, high_c: float) -> FloatArray:
        rise: FloatArray = low_c + (high_c - low_c) * np.sin(np.pi * (at_h - sunrise_h) / stretch_h)
        return rise

    def night(since_h: FloatArray, from_c: FloatArray, low_c: float) -> FloatArray:
        end = np.exp(-night_h / NIGHT_DECAY_H)
        fall: FloatArray = (low_c - from_c * end + (from_c - low_c) * np.exp(-since_h / NIGHT_DECAY_H)) / (
            1.0 - end
        )
        return fall

    dusk = np.array(sunset_h)
    early = night(hour + 24.0 - sunset_h, daytime(dusk, before_minimum_c, before_c), minimum_c)
    late = night(hour - sunset_h, daytime(dusk, minimum_c, maximum_c), after_minimum_c)
    return np.where(
        hour < sunrise_h, early, np.where(hour < sunset_h, daytime(hour, minimum_c, maximum_c), late)
    )


@dataclass(frozen=True, slots=True)
class PartonLogan:
    """Parameters of `parton_logan_c`."""

    maximum_lag_h: float = 1.86
    """a: the day's length is this much longer twice over, so the maximum lags noon by it. [h]"""
    night_fall: float = 2.20
    """b: how far the night falls towards the minimum. [1]"""
    minimum_lag_h: float = -0.17
    """c: the minimum stands so long after sunrise. [h]"""


DENVER_1_5_M = PartonLogan()
"""Fitted to air 1.5 m above ground at Denver (Parton and Logan, 1981, table as reproduced in an R package).
A trap: that package's argument names swap b and c; c is the negative one."""


def parton_logan_c(
    hour: FloatArray,
    *,
    minimum_c: float,
    maximum_c: float,
    before_c: float,
    before_minimum_c: float,
    sunrise_h: float,
    sunset_h: float,
    shape: PartonLogan = DENVER_1_5_M,
) -> FloatArray:
    """Return outdoor air temperature over one local day by the sine and exponential of 1981.

    Parameters
    ----------
    hour : (n,) float64
        Local solar time, 0 to 24. [h]
    minimum_c, maximum_c : float
        Of this day. [°C]
    before_c, before_minimum_c : float
        Maximum and minimum of the day before, for the hours before the minimum. [°C]
    sunrise_h, sunset_h : float
        [h]
    shape : PartonLogan
        The three fitted parameters.

    Returns
    -------
    (n,) float64
        [°C] The night does not quite reach the minimum: about 1 K of a step at dawn. `air_c` has none.

    References
    ----------
    .. [1] Parton and Logan, Agricultural Meteorology 23 (1981) 205-216: abstract seen, equation from memory.
    """
    day_h = sunset_h - sunrise_h
    night_h = 24.0 - day_h
    stretch_h = day_h + 2.0 * shape.maximum_lag_h
    first_h = sunrise_h + shape.minimum_lag_h

    def daytime(at_h: FloatArray, low_c: float, high_c: float) -> FloatArray:
        rise: FloatArray = low_c + (high_c - low_c) * np.sin(np.pi * (at_h - first_h) / stretch_h)
        return rise

    def night(since_h: FloatArray, high_c: float, low_day_c: float, low_c: float) -> FloatArray:
        dusk_c = daytime(np.array(sunset_h), low_day_c, high_c)
        fall: FloatArray = low_c + (dusk_c - low_c) * np.exp(-shape.night_fall * since_h / night_h)
        return fall

    early = night(hour + 24.0 - sunset_h, before_c, before_minimum_c, minimum_c)
    late = night(hour - sunset_h, maximum_c, minimum_c, minimum_c)
    by_day = daytime(hour, minimum_c, maximum_c)
    return np.where(hour < first_h, early, np.where(hour < sunset_h, by_day, late))


def season_share(day_of_year: float, *, warmest_month: int) -> float:
    """Return where in the year a day stands: 1 in the middle of the warmest month, -1 half a year later."""
    return math.cos(2.0 * math.pi * (day_of_year - 30.44 * (warmest_month - 0.5)) / 365.25)


def wave_share(at_h: float, *, start_h: float, end_h: float) -> float:
    """Return how much of a heat wave a day at whose middle `at_h` is gets; a day to rise, a day to fall."""
    rising, falling = (at_h - start_h) / 24.0 + 0.5, (end_h - at_h) / 24.0 + 0.5
    return min(max(min(rising, falling), 0.0), 1.0)


def lagged(values: FloatArray, *, lag_s: float, step_s: float) -> FloatArray:
    """Return what follows values with a first-order lag, the first value taken as standing before.

    Parameters
    ----------
    values : (n,) float64
        Means of equal steps.
    lag_s : float
        Time constant. [s] 900 to 1800 for a closed cabin (judgement).
    step_s : float
        [s]

    Returns
    -------
    (n,) float64
        At the end of each step.
    """
    if lag_s <= 0.0:
        return values
    reach = min(values.size, math.ceil(8.0 * lag_s / step_s))
    keep = math.exp(-step_s / lag_s)
    weights = (1.0 - keep) * keep ** np.arange(reach)
    weights[-1] += 1.0 - weights.sum()
    standing = np.concatenate([np.full(reach - 1, values[0]), values])
    return np.convolve(standing, weights, mode="valid").astype(np.float64)


def sun_share(hour: FloatArray, *, sunrise_h: float, sunset_h: float) -> FloatArray:
    """Return horizontal sun as a share of its clear-sky noon value: a sine to the 1.2 (judgement)."""
    height = np.sin(np.pi * (hour - sunrise_h) / (sunset_h - sunrise_h))
    inside = (hour > sunrise_h) & (hour < sunset_h)
    share: FloatArray = np.where(inside, np.maximum(height, 0.0) ** 1.2, 0.0)
    return share
