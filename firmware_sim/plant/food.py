"""Heat content of food, so that freezing and thawing need no special case."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.telemetry import FloatArray, IntArray

FoodName = Literal["lean_beef", "lean_beef_1_1", "beef_select", "fish", "milk", "drinks"]

REFERENCE_C = -40.0
"""Heat content is counted from here [°C]."""

LATENT_KJ_PER_KG = 333.6
"""Of water, at its freezing point [kJ/kg]."""


@dataclass(frozen=True)
class Food:
    """Composition by mass and initial freezing point of one food."""

    water_share: float
    protein_share: float
    freezing_c: float

    @property
    def solids_share(self) -> float:
        """All that is not water [1]."""
        return 1.0 - self.water_share

    @property
    def freezable_share(self) -> float:
        """Water that is not bound to protein, 0.4 of its mass [1]."""
        return self.water_share - 0.4 * self.protein_share

    @property
    def unfrozen_kj_per_kg_k(self) -> float:
        """Specific heat above freezing [kJ/(kg K)]."""
        return 4.19 - 2.30 * self.solids_share - 0.628 * self.solids_share**3


FOODS: dict[FoodName, Food] = {
    "lean_beef": Food(0.745, 0.21, -1.0),
    "lean_beef_1_1": Food(0.745, 0.21, -1.1),
    "beef_select": Food(0.5821, 0.1748, -1.7),
    "fish": Food(0.81, 0.18, -2.2),
    "milk": Food(0.88, 0.033, -0.6),
    "drinks": Food(0.90, 0.0, -0.8),
}
"""Beef select, fish (cod) and milk: ASHRAE Refrigeration Handbook 2006, chapter 9 (composition from memory).
The two lean beefs differ in their freezing point only; both are in use. Drinks: judgement, no source."""


def enthalpy_kj_per_kg(temperature_c: FloatArray, food: FoodName | Food = "lean_beef") -> FloatArray:
    """Return the heat content of a food above -40 °C.

    Parameters
    ----------
    temperature_c : (n,) float64
        Between -40 and 60. [°C]
    food : FoodName or Food
        One of `FOODS`, or a composition.

    Returns
    -------
    (n,) float64
        [kJ/kg]

    References
    ----------
    .. [1] Chen (1985), equation 18 of ASHRAE Refrigeration Handbook 2006, chapter 9; above freezing the
       content goes on from Chen's own value there, not from the handbook's regression, so no step.
    """
    of = food if isinstance(food, Food) else FOODS[food]
    frozen_c = np.minimum(temperature_c, of.freezing_c)
    ice = of.freezable_share * LATENT_KJ_PER_KG * of.freezing_c / (REFERENCE_C * frozen_c)
    frozen = (frozen_c - REFERENCE_C) * (1.55 + 1.26 * of.solids_share - ice)
    total: FloatArray = frozen + np.maximum(temperature_c - of.freezing_c, 0.0) * of.unfrozen_kj_per_kg_k
    return total


def ice_share(temperature_c: FloatArray, food: FoodName | Food = "lean_beef") -> FloatArray:
    """Return how much of a food's mass is ice; equation 4 of the same chapter [1]."""
    of = food if isinstance(food, Food) else FOODS[food]
    share: FloatArray = of.freezable_share * (1.0 - of.freezing_c / np.minimum(temperature_c, of.freezing_c))
    return share


CONTENT_STEP_KJ_PER_KG = 0.25
MOST_KJ_PER_KG = 700.0
"""Grid on which heat content is turned back into temperature [kJ/kg]."""


def _temperatures_c(food: FoodName) -> FloatArray:
    freezing_c = FOODS[food].freezing_c
    fine_c = np.concatenate(
        [
            np.linspace(REFERENCE_C, freezing_c - 6.0, 2000)[:-1],
            np.linspace(freezing_c - 6.0, freezing_c, 4000)[:-1],
            np.linspace(freezing_c, 160.0, 500),
        ]
    )
    grid = np.arange(0.0, MOST_KJ_PER_KG + CONTENT_STEP_KJ_PER_KG, CONTENT_STEP_KJ_PER_KG)
    table: FloatArray = np.interp(grid, enthalpy_kj_per_kg(fine_c, food), fine_c)
    return table


class Foods:
    """What lies in each of n cabinets, for turning heat content into temperature for all at once."""

    def __init__(self, names: Sequence[FoodName]) -> None:
        self.names = tuple(names)
        kinds = sorted(set(self.names))
        tables = [_temperatures_c(name) for name in kinds]
        self._table = np.concatenate(tables)
        self._last = tables[0].size - 2
        offsets: IntArray = np.array(
            [kinds.index(name) * tables[0].size for name in self.names], dtype=np.int64
        )
        self._offset = offsets

    def temperature_c(self, content_kj_per_kg: FloatArray) -> FloatArray:
        """Return the temperature [°C] of each cabinet's food at a heat content [kJ/kg]."""
        at = content_kj_per_kg * (1.0 / CONTENT_STEP_KJ_PER_KG)
        row = np.minimum(np.maximum(at, 0.0), self._last).astype(np.int64)
        corner = self._offset + row
        left = self._table[corner]
        between: FloatArray = left + (self._table[corner + 1] - left) * (at - row)
        return between

    def content_kj_per_kg(self, temperature_c: FloatArray) -> FloatArray:
        """Return the heat content [kJ/kg] of each cabinet's food at a temperature [°C]."""
        content = np.empty(len(self.names))
        for name in set(self.names):
            chosen = np.array([other == name for other in self.names])
            content[chosen] = enthalpy_kj_per_kg(temperature_c[chosen], name)
        return content


_BEEF = Foods(["lean_beef"])


def temperature_of(content_kj_per_kg: FloatArray) -> FloatArray:
    """Return the temperature [°C] of lean beef at a heat content [kJ/kg]."""
    return _BEEF.temperature_c(content_kj_per_kg)
