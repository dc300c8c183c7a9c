"""Air temperature and sun over the day, without any state: any instant can be asked for."""

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


def sun_share(hour: FloatArray, *, sunrise_h: float, sunset_h: float) -> FloatArray:
    """Return horizontal sun as a share of its clear-sky noon value: a sine to the 1.2 (judgement)."""
    height = np.sin(np.pi * (hour - sunrise_h) / (sunset_h - sunrise_h))
    inside = (hour > sunrise_h) & (hour < sunset_h)
    share: FloatArray = np.where(inside, np.maximum(height, 0.0) ** 1.2, 0.0)
    return share
