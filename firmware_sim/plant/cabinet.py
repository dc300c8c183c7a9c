"""One time step of a cabinet: air with liner as one node, food as the other."""

import numpy as np

from firmware_sim.plant.food import temperature_of
from services.telemetry import FloatArray


def box_ua_w_per_k(
    *,
    length_m: float,
    width_m: float,
    height_m: float,
    wall_m: float,
    foam_w_per_m_k: float,
    film_w_per_m2_k: float = 8.0,
    seal_w_per_m_k: float = 0.04,
) -> float:
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
        Loss along the lid seal, 0.03-0.06 (judgement, no source). [W/(m K)]

    Returns
    -------
    float
        [W/K]

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
    return 1.0 / (1.0 / walls + films) + seal_w_per_m_k * 2.0 * (l + w)


def cooling_w(
    rated_w: FloatArray, *, outside_c: FloatArray, air_c: FloatArray, set_point_c: FloatArray
) -> FloatArray:
    """Return what the running machine takes out of the cabinet.

    1.5 % less for each kelvin above 32 °C outside, 2.5 % more for each kelvin the cabinet is above its
    set point, within 0.6 and 1.4 (a maker-independent rule of thumb; judgement, no source). [W]
    """
    outside = 1.0 - 0.015 * (outside_c - 32.0)
    inside = 1.0 + 0.025 * (air_c - set_point_c)
    taken: FloatArray = rated_w * np.minimum(np.maximum(outside * inside, 0.6), 1.4)
    return taken


def cabinet_after(
    air_c: FloatArray,
    food_kj_per_kg: FloatArray,
    food_c: FloatArray,
    *,
    outside_c: FloatArray,
    shell_w_per_k: FloatArray,
    contact_w_per_k: FloatArray,
    liner_j_per_k: FloatArray,
    food_kg: FloatArray,
    removed_w: FloatArray,
    step_s: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return both nodes after a step, exact for the air while the food stands still.

    Parameters
    ----------
    air_c, food_c : (n,) float64
        Temperatures before the step. [°C]
    food_kj_per_kg : (n,) float64
        Heat content of the food before the step. [kJ/kg]
    outside_c : (n,) float64
        Air around the cabinet. [°C]
    shell_w_per_k : (n,) float64
        Walls, seal and open lid together. [W/K]
    contact_w_per_k : (n,) float64
        Between air with liner, and food. [W/K]
    liner_j_per_k : (n,) float64
        Heat capacity of air, liner and plate. [J/K]
    food_kg : (n,) float64
        [kg]
    removed_w : (n,) float64
        Taken out by the machine. [W]
    step_s : float
        [s]

    Returns
    -------
    tuple of (n,) float64
        Air [°C], food heat content [kJ/kg], food [°C], and heat that came in through shell and lid
        during the step [J]. The step conserves energy exactly: the mean air temperature that drives
        the food is the integral of the air's own exponential.
    """
    total = shell_w_per_k + contact_w_per_k
    target_c = (shell_w_per_k * outside_c + contact_w_per_k * food_c - removed_w) / total
    x = total * (step_s / liner_j_per_k)
    decay = np.exp(-x)
    above = air_c - target_c
    after_c = target_c + above * decay
    mean_c = target_c + above * (1.0 - decay) / x
    to_food_j = contact_w_per_k * (mean_c - food_c) * step_s
    content = food_kj_per_kg + to_food_j / (1000.0 * food_kg)
    entered_j = shell_w_per_k * (outside_c - mean_c) * step_s
    return after_c, content, temperature_of(content), entered_j
