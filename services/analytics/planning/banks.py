"""Charge of a planned bank: what a charger may put in, and where a cabinet on it cuts out."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import RestCurve, battery_ohm, rest_v
from services.analytics.power.resistance import CABLE_AT_C, JOINTS_OHM, cable_ohm
from services.telemetry import FloatArray

TAPER_H = 1.0
"""A lead-acid bank takes no more amperes than ampere-hours are missing (the ampere-hour law, Vinal, Storage
Batteries, from memory): what is missing fades with this time constant. [h]"""
FINISH_SOC, FINISH_H = 0.85, 2.3
"""Above this charge it fades more slowly: the last 10-15 % takes 2-4 h whatever the charger (common
practice, no source); 85 to 95 % in 2.5 h. [1, h]"""
LITHIUM_TAPER_H = 0.05
"""Lithium iron phosphate takes nearly everything until it is nearly full (judgement). [h]"""
CURVE_SD_V = 0.05
"""Rest tables of one chemistry differ by about ± 0.1 V, taken as two standard deviations. [V at 12 V]"""
PANEL_SHARE = 0.67
"""Of a panel's rating under 1000 W/m² that reaches the bank: 0.75 for dust, wiring and controller, 0.89 for
hot cells (judgement, from a year of clear skies at 19° south)."""
CHARGING_ON_NOMINAL = 1.125
"""A 12 V bank stands at about 13.5 V while panels charge it (common practice, no source)."""
SMALL_CHARGE_SHARE = 0.05
"""A net charge of this part of the capacity an hour lifts the voltage over the restart (judgement). [1/h]"""
_GRID = np.linspace(0.0, 1.0, 201)


@dataclass(frozen=True)
class Taper:
    """How fast the last of a charge goes in."""

    lithium: bool
    finish_h: FloatArray | float = FINISH_H
    """Time constant of the last part of a lead-acid charge; `TAPER_H` gives the bare law. [h]"""
    lithium_h: FloatArray | float = LITHIUM_TAPER_H


def accepted_a(missing_ah: FloatArray, capacity_ah: FloatArray, taper: Taper) -> FloatArray:
    """Return the most a bank takes at a charger's absorption voltage.

    Parameters
    ----------
    missing_ah, capacity_ah : float64
        Charge that is missing, and the capacity, in one shape. [Ah]
    taper : Taper
        Of the bank.

    Returns
    -------
    float64
        [A]
    """
    if taper.lithium:
        return np.asarray(missing_ah / taper.lithium_h, dtype=np.float64)
    late = missing_ah < (1.0 - FINISH_SOC) * capacity_ah
    return np.asarray(missing_ah / np.where(late, taper.finish_h, TAPER_H), dtype=np.float64)


def missing_after(
    missing_ah: FloatArray, capacity_ah: FloatArray, *, net_a: FloatArray, efficiency: FloatArray | float,
    taper: Taper, step_h: float,
) -> FloatArray:  # fmt: skip
    """Return the charge still missing after a step.

    Parameters
    ----------
    missing_ah, capacity_ah : float64
        Before the step. [Ah]
    net_a : float64
        What chargers offer less what is drawn; negative discharges. [A]
    efficiency : float or float64
        Of charge put in, the share that comes out again.
    taper : Taper
        See `accepted_a`.
    step_h : float
        [h]

    Returns
    -------
    float64
        Between none and the whole capacity. [Ah]
    """
    most = accepted_a(missing_ah, capacity_ah, taper)
    taken = np.where(net_a > 0.0, efficiency * np.minimum(net_a, most), net_a)
    return np.clip(missing_ah - taken * step_h, 0.0, capacity_ah)


def soc_at_voltage(
    target_v: FloatArray, *, curve: RestCurve, capacity_ah: FloatArray, unit_a: float, other_a: float,
    cable_ohm_12: FloatArray, curve_shift_v: FloatArray, lithium: bool,
) -> FloatArray:  # fmt: skip
    """Return the state of charge at which the voltage at a cabinet falls to a target.

    Parameters
    ----------
    target_v : float64
        At 12 V nominal. [V]
    curve : RestCurve
        Of the bank's chemistry.
    capacity_ah : float64
        The inner resistance goes as one over it. [Ah]
    unit_a, other_a : float
        What the cabinet draws through its cable, and all else on the bank. [A]
    cable_ohm_12 : float64
        Cable, fuse and joints, brought to 12 V nominal. [Ω]
    curve_shift_v : float64
        How far this battery's rest curve lies above the table. [V]
    lithium : bool
        Lithium iron phosphate.

    Returns
    -------
    float64
        The shapes above broadcast; 1 where even a full bank does not reach it. [1]
    """
    inner = battery_ohm(_GRID, capacity_ah=100.0, lithium=lithium)
    rest = rest_v(_GRID, curve)
    capacity = np.asarray(capacity_ah, dtype=np.float64)[..., None]
    path = np.asarray(cable_ohm_12, dtype=np.float64)[..., None]
    shift = np.asarray(curve_shift_v, dtype=np.float64)[..., None]
    shown = rest + shift - unit_a * path - (unit_a + other_a) * inner * 100.0 / capacity
    enough = shown >= np.asarray(target_v, dtype=np.float64)[..., None]
    first = np.argmax(enough, axis=-1)
    return np.where(np.any(enough, axis=-1), _GRID[first], 1.0)


def path_ohm_12(*, length_m: float, section_mm2: float, nominal_v: float) -> float:
    """Return cable, fuse and joints as a 12 V system would see them.

    A drop of D volts at 24 V nominal is D / 2 at 12 V, for the same amperes. [Ω]
    """
    ohm = cable_ohm(length_m=length_m, section_mm2=section_mm2, temperature_c=CABLE_AT_C) + JOINTS_OHM
    return ohm * 12.0 / nominal_v


def panel_a(
    clear_w_per_m2: FloatArray, *, panel_wp: FloatArray, cloud_share: FloatArray, nominal_v: float
) -> FloatArray:
    """Return what level panels give a bank [A]."""
    sun = clear_w_per_m2 / 1000.0 * (1.0 - cloud_share)
    return np.asarray(panel_wp * PANEL_SHARE * sun / (CHARGING_ON_NOMINAL * nominal_v), dtype=np.float64)
