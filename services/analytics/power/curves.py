"""Open-circuit voltage and inner resistance of 12 V batteries against state of charge, as data."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from services.domain import UnitSettings
from services.telemetry import FloatArray

LEAD_ACID_CELL_OFFSET_V = 0.845
"""Rest voltage of a lead-acid cell less the specific gravity of its acid at 25 °C (from memory; most
texts give 0.84 to 0.85)."""

FLOODED_SPECIFIC_GRAVITY = (1.048, 1.073, 1.098, 1.124, 1.148, 1.172, 1.195, 1.217, 1.238, 1.258, 1.277)
"""At 0, 10, … 100 % charge: the widely reproduced deep-cycle table (from memory, origin not traced);
the row at 0 % is ours, the table carried on by its last step."""


@dataclass(frozen=True, slots=True)
class RestCurve:
    """What a rested 12 V battery of one kind shows, and how far that may be trusted."""

    volts: tuple[float, ...]
    """Open-circuit voltage at 0, 10, … 100 % charge. [V at 12 V nominal]"""
    soc_sd: float
    """Standard deviation of a state of charge read from it: the spread between published tables."""
    trusted_below_v: float
    """A rest voltage above this says nothing (the flat part of lithium iron phosphate). [V]"""
    charging_above_v: float
    """A unit's voltage above this means that something is charging. [V]"""
    full_above_v: float
    """Absorption voltage seen at the unit. [V]"""
    full_hold_s: float
    """How long that must hold before the battery counts as full [s]."""
    coulombic_share: float
    """Share of the charge put in that comes out again."""
    held_above_v: float | None
    """A rest voltage above this that does not fall under a load is held by a charger; None: told by the
    voltage alone. [V]"""
    leak_per_month: float
    """Share lost by standing at 25 °C (from memory: antimony 5 to 10 %, calcium and mat 1 to 3 %, lithium 1
    to 3 % with its board)."""
    source: str
    knee: tuple[tuple[float, float], ...] = ()
    """Charge and rest voltage below a tenth, in place of the row at 0 %. [1], [V at 12 V nominal]"""


_FLOODED = tuple(round(6.0 * (gravity + LEAD_ACID_CELL_OFFSET_V), 3) for gravity in FLOODED_SPECIFIC_GRAVITY)
_SEALED = (11.55, 11.70, 11.85, 11.97, 12.10, 12.25, 12.37, 12.50, 12.62, 12.73, 12.85)
_LITHIUM = (12.00, 12.48, 12.80, 12.92, 13.00, 13.04, 13.08, 13.16, 13.28, 13.40, 13.60)

CURVES: dict[str, RestCurve] = {
    "flooded": RestCurve(
        _FLOODED,
        soc_sd=0.08,
        trusted_below_v=13.2,
        charging_above_v=13.2,
        full_above_v=14.0,
        full_hold_s=7200.0,
        coulombic_share=0.85,
        held_above_v=None,
        leak_per_month=0.06,
        source="6 x (specific gravity + 0.845) of the common deep-cycle table (from memory)",
    ),
    "agm": RestCurve(
        _SEALED,
        soc_sd=0.08,
        trusted_below_v=13.2,
        charging_above_v=13.2,
        full_above_v=14.0,
        full_hold_s=7200.0,
        coulombic_share=0.85,
        held_above_v=None,
        leak_per_month=0.02,
        source="flooded table + 0.10 to 0.19 V (from memory); row at 0 % carried on by the last step",
    ),
    "gel": RestCurve(
        _SEALED,
        soc_sd=0.10,
        trusted_below_v=13.2,
        charging_above_v=13.2,
        full_above_v=13.9,
        full_hold_s=7200.0,
        coulombic_share=0.85,
        held_above_v=None,
        leak_per_month=0.02,
        source="the table for AGM, wider (judgement, no source)",
    ),
    "lifepo4": RestCurve(
        _LITHIUM,
        soc_sd=0.05,
        trusted_below_v=12.8,
        charging_above_v=13.7,
        full_above_v=14.0,
        full_hold_s=0.0,
        coulombic_share=0.99,
        held_above_v=13.42,
        leak_per_month=0.02,
        source="four times a per-cell list published in an open firmware header (secondary); its last tenth"
        " ends at 2.5 V a cell as makers' sheets do, where the list ends at 3.0 V",
        knee=((0.0, 10.0), (0.04, 12.0)),
    ),
}
"""By chemistry. Charging and full voltages at 25 °C: common practice, no source."""

ASSUMED_CHEMISTRY = "flooded"
"""For reading a rest voltage where the file names no chemistry; never used for a run-out."""


@lru_cache(maxsize=16)
def _rows(curve: RestCurve) -> tuple[FloatArray, FloatArray]:
    """Return the states of charge and voltages of a table, its knee in place of the row at 0 %."""
    soc, volts = np.linspace(0.0, 1.0, 11), np.array(curve.volts)
    if not curve.knee:
        return soc, volts
    low = np.array(curve.knee)
    return np.concatenate([low[:, 0], soc[1:]]), np.concatenate([low[:, 1], volts[1:]])


_LEAD_SOC = np.array([0.01, 0.03, 0.05, 0.09, 0.11, 0.17, 0.24, 0.39, 0.54, 0.69, 0.84, 0.99])
_LEAD_OHM = np.array([0.59, 0.49, 0.41, 0.29, 0.25, 0.17, 0.11, 0.06, 0.04, 0.03, 0.03, 0.02]) / 4.0
"""Voltage step 60 s after a 4 A load on 100 Ah, by state of charge: computed once with an open
electrochemical lead-acid model (parameter set Sulzer 2019), no cable."""

LITHIUM_OHM = 0.008
"""A 100 Ah 12 V lithium iron phosphate pack with its protection board, 5 to 20 mΩ in common practice."""


def curve_of(settings: UnitSettings) -> tuple[RestCurve, bool]:
    """Return the rest curve of a unit's bank, and whether its chemistry is known."""
    bank = settings.bank
    chemistry = bank.chemistry if bank is not None else settings.unit.supply.chemistry
    return CURVES[chemistry or ASSUMED_CHEMISTRY], chemistry is not None


def rest_v(soc: FloatArray | float, curve: RestCurve) -> FloatArray:
    """Return the open-circuit voltage of a rested 12 V battery.

    Parameters
    ----------
    soc : (n,) float64 or float
        State of charge, clipped to 0 … 1.
    curve : RestCurve
        Of its chemistry.

    Returns
    -------
    (n,) float64
        Straight lines between the rows of the table. [V at 12 V nominal]
    """
    return np.asarray(np.interp(soc, *_rows(curve)), dtype=np.float64)


def soc_at_rest(volts: FloatArray | float, curve: RestCurve) -> FloatArray:
    """Return the state of charge that a rest voltage stands for, clipped to the table [0 … 1]."""
    return np.asarray(np.interp(volts, *_rows(curve)[::-1]), dtype=np.float64)


def soc_beyond(volts: FloatArray | float, curve: RestCurve) -> FloatArray:
    """Return the same, carried on above the table's top by its last step, up to 1.25.

    A battery that rests above its table's full voltage has another curve; that it is full is not news.
    """
    rise = (curve.volts[-1] - curve.volts[-2]) * (len(curve.volts) - 1)
    above = np.clip((np.asarray(volts) - curve.volts[-1]) / rise, 0.0, 0.25)
    return np.asarray(soc_at_rest(volts, curve) + above, dtype=np.float64)


def battery_ohm(soc: FloatArray | float, *, capacity_ah: float, lithium: bool) -> FloatArray:
    """Return the apparent inner resistance of a 12 V battery one minute after a small step.

    Parameters
    ----------
    soc : (n,) float64 or float
        State of charge. [0 … 1]
    capacity_ah : float
        Resistance scales as 1 / capacity. [Ah]
    lithium : bool
        Lithium iron phosphate: taken as constant.

    Returns
    -------
    (n,) float64
        [Ω]
    """
    scale = 100.0 / capacity_ah
    if lithium:
        return np.full(np.shape(soc), LITHIUM_OHM * scale)
    return np.asarray(np.interp(soc, _LEAD_SOC, _LEAD_OHM) * scale, dtype=np.float64)
