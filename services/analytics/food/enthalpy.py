"""Heat content, ice and density of food from what it is made of, for freezing and thawing."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.telemetry import FloatArray

LATENT_KJ_PER_KG = 333.6
"""Of water. ASHRAE Refrigeration Handbook 2006, chapter 9 (read in a secondary copy)."""
BOUND_TO_PROTEIN = 0.4
"""Kilograms of water that never freeze per kilogram of protein; same chapter (secondary copy)."""
ZERO_C = -40.0
"""Heat content is counted from here, as the handbook does. [°C]"""


@dataclass(frozen=True, slots=True)
class Composition:
    """What a food is made of, by mass, and where it begins to freeze."""

    water: float
    protein: float
    freezing_c: float

    @property
    def solids(self) -> float:
        """All that is not water."""
        return 1.0 - self.water

    @property
    def bound(self) -> float:
        """Water bound to protein, which does not freeze."""
        return BOUND_TO_PROTEIN * self.protein

    @property
    def thawed_kj_per_kg_k(self) -> float:
        """Specific heat above freezing: 4.19 - 2.30 xs - 0.628 xs³ (Chen)."""
        return 4.19 - 2.30 * self.solids - 0.628 * self.solids**3


LEAN_BEEF = Composition(water=0.745, protein=0.21, freezing_c=-1.1)
"""James and James: 74.5 % water; freezing point of the handbook's lean cuts (secondary copies)."""
BEEF_SELECT = Composition(water=0.5821, protein=0.1748, freezing_c=-1.7)
"""Handbook table: freezing point and latent heat 194 kJ/kg (secondary copy); the shares from memory."""


def enthalpy_kj_per_kg(t_c: FloatArray, of: Composition) -> FloatArray:
    """Return the heat content of a food above -40 °C.

    Parameters
    ----------
    t_c : (n,) float64
        Temperature from -40 °C on. [°C]
    of : Composition
        The food.

    Returns
    -------
    (n,) float64
        ``(t + 40) (1.55 + 1.26 xs + (xw - xb) L0 tf / (40 t))`` below freezing, from there on with the
        specific heat of thawed food, starting at Chen's own value. [kJ/kg]

    References
    ----------
    .. [1] Chen, equation 18 of ASHRAE Refrigeration Handbook 2006, chapter 9 (read in a secondary
       copy). The handbook's regression for the content at freezing is not used: it makes a step of
       2.5 kJ/kg there.
    """
    cold = np.minimum(t_c, of.freezing_c)
    ice = (of.water - of.bound) * LATENT_KJ_PER_KG * of.freezing_c / (-ZERO_C * cold)
    frozen = (cold - ZERO_C) * (1.55 + 1.26 * of.solids + ice)
    return np.asarray(frozen + np.maximum(t_c - of.freezing_c, 0.0) * of.thawed_kj_per_kg_k)


def apparent_kj_per_kg_k(t_c: FloatArray, of: Composition) -> FloatArray:
    """Return what a food takes per kelvin, melting included [kJ/(kg K)].

    ``1.55 + 1.26 xs - (xw - xb) L0 tf / t²`` below freezing; same source as `enthalpy_kj_per_kg`.
    """
    cold = np.minimum(t_c, of.freezing_c)
    melting = (of.water - of.bound) * LATENT_KJ_PER_KG * of.freezing_c / cold**2
    return np.asarray(np.where(t_c < of.freezing_c, 1.55 + 1.26 * of.solids - melting, of.thawed_kj_per_kg_k))


Constituent = Literal["protein", "fat", "carbohydrate", "fibre", "ash", "water"]
DENSITY_KG_PER_M3: dict[Constituent, tuple[float, float, float]] = {
    "protein": (1329.9, -0.5184, 0.0),
    "fat": (925.59, -0.41757, 0.0),
    "carbohydrate": (1599.1, -0.31046, 0.0),
    "fibre": (1311.5, -0.36589, 0.0),
    "ash": (2423.8, -0.28063, 0.0),
    "water": (997.18, 3.1439e-3, -3.7574e-3),
}
"""Choi and Okos (1986), as in the handbook's chapter 9: a + b t + c t², t in °C (read in two public codes
that agree)."""


def density_kg_per_m3(t_c: float, shares: dict[Constituent, float]) -> float:
    """Return the density of unfrozen food, ``Σ x / Σ (x / r)``; volumes add, not densities."""
    volume = 0.0
    for name, share in shares.items():
        a, b, c = DENSITY_KG_PER_M3[name]
        volume += share / (a + b * t_c + c * t_c**2)
    return sum(shares.values()) / volume


PIECES_C = (-12.0, -10.0, -8.0, -6.5, -5.2, -4.2, -3.4, -2.8, -2.4)
"""Where the straight pieces of the content curve meet, above that see `Slownesses.of`. [°C]"""
COLD_C = -20.0
"""Below the first of them one slope stands for all, the mean from here to it."""
BEFORE_FREEZING_K = (0.6, 0.35, 0.2, 0.1, 0.04)
"""Further joints this far under the freezing point, where the curve is steepest."""


@dataclass(frozen=True, slots=True)
class Slownesses:
    """How much slower than thawed food a food follows the air, by temperature.

    With heat passing in proportion to the difference between air and food, ``c(T) dT/dt ~ T_air - T``: a
    first-order lag whose time constant goes with what the food takes per kelvin. Taken as constant
    between joints (the mean of the content curve), so that each piece keeps its exact solution.
    """

    joints_c: tuple[float, ...]
    """Rising; the first piece lies below the first joint, the last above the last: thawed. [°C]"""
    ratio: tuple[float, ...]
    """One more than joints: lag of a piece over lag of the thawed food."""

    @staticmethod
    def of(food: Composition) -> "Slownesses":
        """Return the pieces of a food."""
        last = [food.freezing_c - k for k in BEFORE_FREEZING_K]
        joints = [*(t for t in PIECES_C if t < last[0] - 0.05), *last, food.freezing_c]
        edges = np.array([COLD_C, *joints])
        steps = np.diff(enthalpy_kj_per_kg(edges, food)) / np.diff(edges)
        ratios = [*(steps / food.thawed_kj_per_kg_k).tolist(), 1.0]
        return Slownesses(tuple(joints), tuple(ratios))
