"""One time step of a cabinet: air, plate with liner, what lies in it and what was just put in."""

from dataclasses import dataclass

import numpy as np

from firmware_sim.plant.air import (
    AIR_J_PER_KG_K,
    CONDENSATION_J_PER_KG,
    DEPOSITION_J_PER_KG,
    MELTING_J_PER_KG,
    saturated_quickly_kg_per_kg,
)
from firmware_sim.plant.refrigeration import HeatLine
from services.telemetry import FloatArray

FROST_MELT_W_PER_K = 8.0
"""Between a plate above freezing and the frost on it. [W/K] Judgement."""

SEAL_W_PER_M_K = 0.04
"""Loss along the seal of a lid, 0.03-0.06. [W/(m K)] Judgement."""

COVERED_SHARE = 0.4
"""Share of the walls that lies behind the evaporator plate. [1] Judgement."""


@dataclass(frozen=True)
class Shell:
    """Heat loss of a foamed box with a lid."""

    walls_w_per_k: float
    seal_w_per_k: float

    @property
    def whole_w_per_k(self) -> float:
        """Walls and seal together [W/K]."""
        return self.walls_w_per_k + self.seal_w_per_k


def box_shell(
    *,
    length_m: float,
    width_m: float,
    height_m: float,
    wall_m: float,
    foam_w_per_m_k: float,
    film_w_per_m2_k: float = 8.0,
    seal_w_per_m_k: float = SEAL_W_PER_M_K,
) -> Shell:
    """Return the heat loss of a foamed box with a lid.

    Parameters
    ----------
    length_m, width_m, height_m : float
        Inside. [m]
    wall_m : float
        Thickness of the foam. [m]
    foam_w_per_m_k : float
        Conductivity of the foam. [W/(m K)]
    film_w_per_m2_k : float
        Air film, inside and outside. [W/(m² K)]
    seal_w_per_m_k : float
        See `SEAL_W_PER_M_K`.

    Returns
    -------
    Shell

    References
    ----------
    .. [1] Conduction shape factors of edges (0.54 a length) and corners (0.15 a wall), any text on
       conduction, from memory.
    """
    l, w, h = length_m, width_m, height_m  # noqa: E741 - the letters of every text on the matter
    inside_m2 = 2.0 * (l * w + l * h + w * h)
    outside_m2 = 2.0 * (
        (l + 2 * wall_m) * (w + 2 * wall_m)
        + (l + 2 * wall_m) * (h + 2 * wall_m)
        + (w + 2 * wall_m) * (h + 2 * wall_m)
    )
    walls = foam_w_per_m_k * (inside_m2 / wall_m + 0.54 * 4.0 * (l + w + h) + 0.15 * 8.0 * wall_m)
    films = 1.0 / (film_w_per_m2_k * inside_m2) + 1.0 / (film_w_per_m2_k * outside_m2)
    return Shell(1.0 / (1.0 / walls + films), seal_w_per_m_k * 2.0 * (l + w))


@dataclass(frozen=True)
class Paths:
    """What joins the nodes of n cabinets in one step, arrays of (n,)."""

    walls_w_per_k: FloatArray
    leak_w_per_k: FloatArray
    """Seal, lid and exchanged air, all between cabinet air and outside."""
    plate_w_per_k: FloatArray
    """Between air and plate."""
    food_w_per_k: FloatArray
    """Between air and food."""
    fresh_w_per_k: FloatArray
    """Between air and food that was just put in; zero where there is none."""
    air_j_per_k: FloatArray
    plate_j_per_k: FloatArray


@dataclass(frozen=True)
class Nodes:
    """What one step did to the nodes."""

    air_c: FloatArray
    plate_c: FloatArray
    to_food_j: FloatArray
    to_fresh_j: FloatArray
    removed_w: FloatArray
    """Taken by the evaporator, mean over the step."""
    entered_j: FloatArray
    """Through walls, seal and opening, from the fan, and with moisture."""


def nodes_after(
    air_c: FloatArray,
    plate_c: FloatArray,
    food_c: FloatArray,
    fresh_c: FloatArray,
    *,
    outside_c: FloatArray,
    paths: Paths,
    line: HeatLine,
    fan_w: FloatArray,
    moisture_w: FloatArray,
    step_s: FloatArray | float,
) -> Nodes:
    """Return air and plate after a step, and the heat that passed; food stands still meanwhile.

    Air and plate are solved together at the end of the step (backward Euler), so no step is too long
    for them; every flow is booked once with the temperatures it was computed from, so energy closes
    to rounding.

    Parameters
    ----------
    air_c, plate_c, food_c, fresh_c : (n,) float64
        Before the step. [°C]
    outside_c : (n,) float64
        Air around the cabinet. [°C]
    paths : Paths
        What joins the nodes.
    line : HeatLine
        What the evaporator takes, against the plate's temperature.
    fan_w : (n,) float64
        Given off by a fan inside. [W]
    moisture_w : (n,) float64
        Given to the plate by vapour that settles, less what melting takes. [W]
    step_s : float or (n,)
        [s]

    Returns
    -------
    Nodes
    """
    behind = COVERED_SHARE * paths.walls_w_per_k
    to_air = paths.walls_w_per_k - behind + paths.leak_w_per_k
    air_held, plate_held = paths.air_j_per_k / step_s, paths.plate_j_per_k / step_s
    link = paths.plate_w_per_k
    a11 = air_held + to_air + link + paths.food_w_per_k + paths.fresh_w_per_k
    a22 = plate_held + behind + link + line.w_per_k
    b1 = (
        air_held * air_c
        + to_air * outside_c
        + paths.food_w_per_k * food_c
        + paths.fresh_w_per_k * fresh_c
        + fan_w
    )
    b2 = plate_held * plate_c + behind * outside_c - line.at_zero_w + moisture_w
    below = 1.0 / (a11 * a22 - link * link)
    air = (a22 * b1 + link * b2) * below
    plate = (a11 * b2 + link * b1) * below
    entered_w = to_air * (outside_c - air) + behind * (outside_c - plate) + fan_w + moisture_w
    return Nodes(
        air_c=air,
        plate_c=plate,
        to_food_j=paths.food_w_per_k * (air - food_c) * step_s,
        to_fresh_j=paths.fresh_w_per_k * (air - fresh_c) * step_s,
        removed_w=line.at_zero_w + line.w_per_k * plate,
        entered_j=entered_w * step_s,
    )


def frost_after(
    frost_kg: FloatArray,
    *,
    plate_c: FloatArray,
    leak_w_per_k: FloatArray,
    vapour_kg_per_kg: FloatArray,
    growth_ratio: FloatArray,
    step_s: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """Return the frost on the plate after a step and the heat its moisture gave the plate.

    Air that comes in through a heat path comes in with its vapour (Lewis: conductance over the air's
    specific heat is a mass flow); the plate takes all of it above its own saturation. A plate above
    freezing melts frost, which runs off, and lets dew run off.

    Parameters
    ----------
    frost_kg : (n,) float64
        Before. [kg]
    plate_c : (n,) float64
        Plate. [°C]
    leak_w_per_k : (n,) float64
        Paths by moving air. [W/K]
    vapour_kg_per_kg : (n,) float64
        Humidity ratio outside. [kg/kg]
    growth_ratio : (n,) float64
        More vapour than the paths let in: wet goods, a seal that draws. [1]
    step_s : float or (n,)
        [s]

    Returns
    -------
    tuple of (n,) float64
        Frost [kg], and heat given to the plate, negative while melting [W].
    """
    excess = np.maximum(vapour_kg_per_kg - saturated_quickly_kg_per_kg(plate_c), 0.0)
    settled_kg_per_s = growth_ratio * leak_w_per_k * excess * (1.0 / AIR_J_PER_KG_K)
    freezing = plate_c < 0.0
    melting_w = np.minimum(
        FROST_MELT_W_PER_K * np.maximum(plate_c, 0.0), frost_kg * (MELTING_J_PER_KG / step_s)
    )
    after = frost_kg + freezing * settled_kg_per_s * step_s - melting_w * (step_s / MELTING_J_PER_KG)
    released = CONDENSATION_J_PER_KG + (DEPOSITION_J_PER_KG - CONDENSATION_J_PER_KG) * freezing
    heat = settled_kg_per_s * released - melting_w
    return np.maximum(after, 0.0), heat
