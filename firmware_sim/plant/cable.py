"""Resistance between a battery and a unit."""

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
