"""Moist air, and what of it an open door or lid lets pass."""

import numpy as np

from services.telemetry import FloatArray

PRESSURE_PA = 101_325.0
"""Unless said otherwise [Pa]."""

AIR_J_PER_KG_K = 1006.0
"""Specific heat of dry air [J/(kg K)]."""

VAPOUR_RATIO = 0.622
"""Mass of water vapour over dry air at equal pressure and volume [1]."""

DEPOSITION_J_PER_KG = 2.83e6
CONDENSATION_J_PER_KG = 2.50e6
MELTING_J_PER_KG = 0.3336e6
"""Heats of vapour to ice, vapour to water, ice to water near 0 °C. [J/kg] From memory."""

GRAVITY_M_PER_S2 = 9.81


def saturated_kg_per_kg(temperature_c: FloatArray, pressure_pa: float = PRESSURE_PA) -> FloatArray:
    """Return the humidity ratio of saturated air, over ice below 0 °C.

    Parameters
    ----------
    temperature_c : (n,) float64
        Between -45 and 50. [°C]
    pressure_pa : float
        Of the air. [Pa]

    Returns
    -------
    (n,) float64
        Water over dry air. [kg/kg]

    References
    ----------
    .. [1] Magnus forms of Alduchov and Eskridge, J. Appl. Meteorology 35 (1996) 601-609, from memory.
    """
    cold = temperature_c < 0.0
    steep = np.where(cold, 22.587, 17.625)
    shift = np.where(cold, 273.86, 243.04)
    vapour_pa = np.where(cold, 611.21, 610.94) * np.exp(steep * temperature_c / (shift + temperature_c))
    ratio: FloatArray = VAPOUR_RATIO * vapour_pa / (pressure_pa - vapour_pa)
    return ratio


_GRID_C: FloatArray = np.linspace(-80.0, 80.0, 641)
_GRID_KG_PER_KG: FloatArray = saturated_kg_per_kg(_GRID_C)


def saturated_quickly_kg_per_kg(temperature_c: FloatArray) -> FloatArray:
    """Return `saturated_kg_per_kg` from a table of quarter kelvins: within one in a thousand."""
    ratio: FloatArray = np.interp(temperature_c, _GRID_C, _GRID_KG_PER_KG)
    return ratio


def density_kg_per_m3(
    temperature_c: FloatArray, vapour_kg_per_kg: FloatArray, pressure_pa: float = PRESSURE_PA
) -> FloatArray:
    """Return the density of moist air as an ideal gas [kg/m³]."""
    dry_pa = pressure_pa * VAPOUR_RATIO / (VAPOUR_RATIO + vapour_kg_per_kg)
    return dry_pa * (1.0 + vapour_kg_per_kg) / (287.055 * (temperature_c + 273.15))


def enthalpy_kj_per_kg(temperature_c: FloatArray, vapour_kg_per_kg: FloatArray) -> FloatArray:
    """Return the heat content of moist air for each kilogram of dry air, from 0 °C [kJ/kg]."""
    return 1.006 * temperature_c + vapour_kg_per_kg * (2501.0 + 1.86 * temperature_c)


def doorway_m3_per_s(
    *,
    area_m2: FloatArray,
    height_m: FloatArray,
    inside_kg_per_m3: FloatArray,
    outside_kg_per_m3: FloatArray,
) -> FloatArray:
    """Return the air that changes places through an open doorway of a cold room.

    Parameters
    ----------
    area_m2, height_m : (n,) float64
        Of the opening. [m²], [m]
    inside_kg_per_m3, outside_kg_per_m3 : (n,) float64
        Densities; none passes where it is lighter inside. [kg/m³]

    Returns
    -------
    (n,) float64
        [m³/s]

    References
    ----------
    .. [1] Gosney and Olama (1975), as in ASHRAE Refrigeration, refrigerated-facility loads: built for
       cold-store doors; one study found 0.68 of it.
    """
    lightness = np.minimum(outside_kg_per_m3 / inside_kg_per_m3, 1.0)
    shape = (2.0 / (1.0 + np.cbrt(1.0 / lightness))) ** 1.5
    flow: FloatArray = (
        0.221 * area_m2 * np.sqrt(1.0 - lightness) * np.sqrt(GRAVITY_M_PER_S2 * height_m) * shape
    )
    return flow
