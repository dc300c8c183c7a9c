"""How fast food loses its quality, against the rate at 0 °C: a matter of order, not of harm."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.food.growth import GAUSS_NODES, GAUSS_WEIGHTS, pairs
from services.telemetry import FloatArray, IntArray

GAS_J_PER_MOL_K = 8.3144
ZERO_C_K = 273.15
DAY_H = 24.0


@dataclass(frozen=True, slots=True)
class SpoilageModel:
    """Relative rate of spoilage: shelf life at 0 °C over shelf life at T."""

    name: str
    form: Literal["root", "exponential", "arrhenius"]
    parameter: float
    """Tmin [°C] of a root, slope [1/K] of an exponential, activation energy [J/mol] of an Arrhenius."""
    source: str

    def relative_rate(self, food_c: FloatArray) -> FloatArray:
        """Return how many days of life at 0 °C one day at each temperature takes."""
        warm = np.asarray(food_c, dtype=np.float64)
        if self.form == "root":
            return np.asarray((np.maximum(warm - self.parameter, 0.0) / -self.parameter) ** 2)
        if self.form == "exponential":
            return np.asarray(np.exp(self.parameter * warm))
        inverse = 1.0 / ZERO_C_K - 1.0 / (warm + ZERO_C_K)
        return np.asarray(np.exp(self.parameter / GAS_J_PER_MOL_K * inverse))


_PAGES = "help pages of the spoilage predictor of DTU Aqua, read in a copy"
FRESH = SpoilageModel(
    "fresh fish of temperate waters and chilled meat",
    "root",
    -10.0,
    f"(1 + 0.1 T)², from memory; the square root with Tmin -10 °C stands in the {_PAGES}",
)
SMOKED_SALMON = SpoilageModel(
    "cold-smoked salmon, vacuum packed", "exponential", 0.089, f"ln RRS = 0.089 T, 0 to 25 °C: {_PAGES}"
)


def days_at_zero(model: SpoilageModel, t_ms: IntArray, food_c: FloatArray) -> float:
    """Return how many days of life at 0 °C a temperature history took; the effects of stretches add up.

    Parameters
    ----------
    model : SpoilageModel
        Rate against temperature.
    t_ms : (n,) int64
        Times, never falling. [ms since 1970-01-01 UTC]
    food_c : (n,) float64
        Temperature of the food, straight lines between. [°C]

    References
    ----------
    .. [1] Dalgaard 2002, chapter 12 in Safety and Quality Issues in Fish Processing: definition, and that
       stretches add up (read in the help pages of DTU Aqua).
    """
    hours, left, right = pairs(t_ms, food_c)
    mean = np.zeros(hours.shape)
    for node, weight in zip(GAUSS_NODES, GAUSS_WEIGHTS, strict=True):
        mean += weight / 2 * model.relative_rate((left + right) / 2 + (right - left) / 2 * node)
    return float(np.sum(mean * hours)) / DAY_H
