"""Heat content of food, so that freezing and thawing need no special case."""

import numpy as np

from services.telemetry import FloatArray

WATER_SHARE = 0.745
PROTEIN_SHARE = 0.21
FREEZING_C = -1.0
"""Lean beef stands for everything in the box: water and protein by mass, initial freezing point."""

_SOLIDS_SHARE = 1.0 - WATER_SHARE
_BOUND_SHARE = 0.4 * PROTEIN_SHARE
_REFERENCE_C = -40.0
_LATENT_KJ_PER_KG = 333.6


def enthalpy_kj_per_kg(temperature_c: FloatArray) -> FloatArray:
    """Return the heat content of lean beef above -40 °C.

    Parameters
    ----------
    temperature_c : (n,) float64
        Between -40 and 60. [°C]

    Returns
    -------
    (n,) float64
        [kJ/kg]

    References
    ----------
    .. [1] Chen (1985) as given in a refrigeration handbook's chapter on food properties, from memory.
    """
    frozen_c = np.minimum(temperature_c, FREEZING_C)
    ice = (WATER_SHARE - _BOUND_SHARE) * _LATENT_KJ_PER_KG * FREEZING_C / (_REFERENCE_C * frozen_c)
    frozen = (frozen_c - _REFERENCE_C) * (1.55 + 1.26 * _SOLIDS_SHARE - ice)
    warm_kj_per_kg_k = 4.19 - 2.30 * _SOLIDS_SHARE - 0.628 * _SOLIDS_SHARE**3
    total: FloatArray = frozen + np.maximum(temperature_c - FREEZING_C, 0.0) * warm_kj_per_kg_k
    return total


TABLE_C: FloatArray = np.concatenate(
    [np.linspace(-40.0, -5.0, 141)[:-1], np.linspace(-5.0, -1.0, 161), [60.0]]
)
"""Temperatures of the table that turns heat content back into temperature. [°C]"""

TABLE_KJ_PER_KG: FloatArray = enthalpy_kj_per_kg(TABLE_C)
"""Heat contents at `TABLE_C`. [kJ/kg]"""


def temperature_of(content_kj_per_kg: FloatArray) -> FloatArray:
    """Return the temperature [°C] at a heat content, by the table."""
    return np.interp(content_kj_per_kg, TABLE_KJ_PER_KG, TABLE_C)
