"""Mean kinetic temperature: a trend for medicine, and never a reason to keep anything."""

import numpy as np

from services.analytics.food.growth import GAUSS_NODES, GAUSS_WEIGHTS, pairs
from services.telemetry import FloatArray, IntArray

ACTIVATION_K = 83.144 / 8.3144e-3
"""ΔH/R with ΔH 83.144 kJ/mol and R 8.3144e-3 kJ/(mol·K): 10 000 K. USP 29 <1160>, read in a copy; in the
current USP the text stands in <1079.2> (from memory)."""
ZERO_C_K = 273.15


def mean_kinetic_c(food_c: FloatArray, weights: FloatArray) -> float:
    """Return the temperature that would have done the same as all of these together.

    T = (ΔH/R) / -ln(Σ w e^{-ΔH/(R T)} / Σ w), temperatures in kelvin.

    Parameters
    ----------
    food_c : (n,) float64
        Temperatures. [°C]
    weights : (n,) float64
        How long each stood, in any unit of time; not negative.

    Returns
    -------
    float
        Never below the plain mean, never above the highest. [°C]

    Raises
    ------
    ValueError
        If there is nothing to average.

    References
    ----------
    .. [1] USP 29 <1160>: equation and constants. It averages, so that an hour at 25 °C hides in a cold
       day: no food code uses it, and nothing is kept or released by it here.
    """
    kelvin = np.asarray(food_c, dtype=np.float64) + ZERO_C_K
    total = float(np.sum(weights))
    if not food_c.size or total <= 0.0:
        raise ValueError("nothing to average")
    hottest = float(np.max(kelvin))
    # Relative to the hottest, so that nothing underflows.
    shares = np.exp(ACTIVATION_K / hottest - ACTIVATION_K / kelvin)
    mean = float(np.sum(weights * shares)) / total
    return float(ACTIVATION_K / (ACTIVATION_K / hottest - np.log(mean)) - ZERO_C_K)


def mean_kinetic_of(t_ms: IntArray, food_c: FloatArray, *, gap_ms: float = np.inf) -> float | None:
    """Return the mean kinetic temperature of readings joined by straight lines, None where there are none.

    Pairs further apart than `gap_ms` are left out: nothing is known of the time between.
    """
    hours, left, right = pairs(t_ms, food_c)
    hours = np.where(np.diff(t_ms) > gap_ms, 0.0, hours)
    if not np.any(hours > 0.0):
        return None
    middle, half = (left + right) / 2, (right - left) / 2
    values = [middle + half * node for node in GAUSS_NODES]
    shares = [hours * weight / 2 for weight in GAUSS_WEIGHTS]
    return mean_kinetic_c(np.concatenate(values), np.concatenate(shares))
