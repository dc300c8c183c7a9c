"""Resistance between a battery and a unit, and what constant power makes of it."""

import numpy as np

from services.telemetry import FloatArray

RESISTANCE_OHM_PER_KM: dict[float, float] = {
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
    35.0: 0.554,
}
"""Highest resistance at 20 °C of plain copper, class 5 (flexible), by section in mm². [ohm/km]
IEC 60228:2004, table 3."""

COPPER_PER_K = 0.00393
"""Rise of copper's resistance. [1/K] IEC 60028, from memory."""

BROWN_OUT_SHARE = 0.7
"""Below this share of the nominal voltage a load no longer draws constant power but fades like a resistor.
[1] Judgement: 8.4 V at 12 V, under every cut-out."""


def cable_ohm(*, length_m: float, section_mm2: float, temperature_c: float = 35.0) -> float:
    """Return the resistance of a two-core run, out and back.

    Parameters
    ----------
    length_m : float
        One way. [m]
    section_mm2 : float
        One of the sections of `RESISTANCE_OHM_PER_KM`. [mm²]
    temperature_c : float
        Of the conductor. [°C]

    Returns
    -------
    float
        [ohm]

    Raises
    ------
    KeyError
        If the section is not a standard one.
    """
    per_m = RESISTANCE_OHM_PER_KM[section_mm2] / 1000.0
    return 2.0 * length_m * per_m * (1.0 + COPPER_PER_K * (temperature_c - 20.0))


def load_v(
    source_v: FloatArray, load_w: FloatArray, *, path_ohm: FloatArray, least_v: FloatArray
) -> FloatArray:
    """Return the voltage of constant-power loads behind a resistance.

    Parameters
    ----------
    source_v : (n,) float64
        At the far end of the path; 0 where there is no supply. [V]
    load_w : (n,) float64
        Power asked for. [W]
    path_ohm : (n,) float64
        Out and back. [ohm]
    least_v : (n,) float64
        Voltage below which the load is a resistor of `least_v`²/`load_w`. [V]

    Returns
    -------
    (n,) float64
        The upper root of V² - V_s V + R P = 0, or of the resistor where that lies below `least_v` or is
        not real. [V]
    """
    rest = source_v * source_v - 4.0 * path_ohm * load_w
    root = 0.5 * (source_v + np.sqrt(np.maximum(rest, 0.0)))
    faded = source_v / (1.0 + path_ohm * load_w / (least_v * least_v))
    return np.where((rest >= 0.0) & (root >= least_v), root, faded)


def load_a(terminal_v: FloatArray, load_w: FloatArray, *, least_v: FloatArray) -> FloatArray:
    """Return the current [A] that belongs to `load_v`'s voltage."""
    current: FloatArray = (
        load_w * np.minimum(terminal_v, least_v) / (np.maximum(terminal_v, least_v) * least_v)
    )
    return current
