"""Both wells of the kinetic battery model: the service's difference of levels is checked with them."""

import math

from services.analytics.power.wells import Wells


def wells_after(
    available_ah: float, bound_ah: float, *, current_a: float, hours: float, wells: Wells
) -> tuple[float, float]:
    """Return both wells after a step at constant current.

    Parameters
    ----------
    available_ah, bound_ah : float
        Charge in the wells before. [Ah]
    current_a : float
        Discharge positive. [A]
    hours : float
        Length of the step. [h]
    wells : Wells
        Parameters c and k'.

    Returns
    -------
    tuple of float
        The wells after the step; the first is negative where it ran empty on the way. [Ah]

    References
    ----------
    .. [1] Manwell and McGowan, Solar Energy 50 (1993) 399-405: the closed form over one step.
    """
    share, rate = wells.available_share, wells.rate_per_h
    decay = math.exp(-rate * hours)
    whole = available_ah + bound_ah
    drift = rate * hours - 1.0 + decay
    first = (
        available_ah * decay
        + (whole * rate * share - current_a) * (1.0 - decay) / rate
        - current_a * share * drift / rate
    )
    return first, whole - current_a * hours - first


def largest_a(available_ah: float, bound_ah: float, *, hours: float, wells: Wells) -> float:
    """Return the constant current that just empties the available well in a step; see `wells_after` [A]."""
    share, rate = wells.available_share, wells.rate_per_h
    decay = math.exp(-rate * hours)
    top = rate * available_ah * decay + (available_ah + bound_ah) * rate * share * (1.0 - decay)
    return top / (1.0 - decay + share * (rate * hours - 1.0 + decay))
