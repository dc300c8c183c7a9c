"""Compressor, evaporator and condenser: what a machine takes out of a cabinet and what it draws."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np

from services.telemetry import FloatArray, IntArray

Refrigerant = Literal["R134a", "R600a"]

REFRIGERANTS: tuple[Refrigerant, ...] = ("R134a", "R600a")

LEAK_SHARE = 0.08
CLEARANCE_SHARE = 0.035
POLYTROPIC = 1.1
"""Small reciprocating compressor: what slips past the piston, dead volume, re-expansion exponent. [1]
Chosen so that 0.5-0.8 of the swept volume is delivered over the usual conditions (judgement)."""

ELECTRIC_EFFICIENCY = 0.45
"""Isentropic work over electric work where no running current is given. [1]
0.40-0.60 for small direct-current machines (from memory)."""

HOTTEST_SUCTION_C = 5.0
"""The capillary feeds no more than this evaporating temperature can boil. [°C] Judgement."""

OUTSIDE_RATED_C = 32.0
"""Air around the cabinet at which `cooling_w` and the running current are meant [°C]."""

FAN_DEAD_SHARE = 0.2
"""What a condenser keeps of its conductance when its fan stands still. [1] Judgement."""

TRIP_C = 80.0
TRIP_RESET_C = 60.0
"""Condensing temperatures at which the motor protector opens and closes again. [°C] Judgement."""


@dataclass(frozen=True)
class CycleTable:
    """Ideal cycle of one refrigerant on a grid of evaporating and condensing temperatures."""

    evaporating_c: FloatArray
    condensing_c: FloatArray
    evaporating_kpa: FloatArray
    """(k,) saturation pressure at `evaporating_c`."""
    condensing_kpa: FloatArray
    """(l,) saturation pressure at `condensing_c`."""
    cooling_kj_per_m3: FloatArray
    """(k, l) for each cubic metre of suction gas."""
    work_kj_per_m3: FloatArray
    """(k, l) isentropic."""


@cache
def cycle_table(refrigerant: Refrigerant) -> CycleTable:
    """Return the stored table of a refrigerant; its head says how it was made."""
    source = resources.files("firmware_sim.plant") / "data" / f"refrigeration_{refrigerant.lower()}.csv"
    lines = [line for line in source.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    low, high = np.unique(rows[:, 0]), np.unique(rows[:, 1])
    grid = rows.reshape(low.size, high.size, 6)
    return CycleTable(
        evaporating_c=low,
        condensing_c=high,
        evaporating_kpa=grid[:, 0, 2],
        condensing_kpa=grid[0, :, 3],
        cooling_kj_per_m3=grid[:, :, 4],
        work_kj_per_m3=grid[:, :, 5],
    )


def delivered_share(pressure_ratio: FloatArray) -> FloatArray:
    """Return the share of the swept volume a reciprocating compressor delivers.

    Clearance gas re-expands; what is left loses `LEAK_SHARE`; never under 0.05. [1]
    """
    share: FloatArray = (1.0 - LEAK_SHARE) * (
        1.0 - CLEARANCE_SHARE * (np.maximum(pressure_ratio, 1.0) ** (1.0 / POLYTROPIC) - 1.0)
    )
    return np.maximum(share, 0.05)


def _cells(table: CycleTable) -> FloatArray:
    """Return delivered cooling and work at the corners of every cell, an array of (8, cells).

    Rows: cooling and work, at the lower and upper evaporating temperature; four at the lower condensing
    temperature, then four at the upper.
    """
    share = delivered_share(table.condensing_kpa[None, :] / table.evaporating_kpa[:, None])
    cooling, work = table.cooling_kj_per_m3 * share, table.work_kj_per_m3 * share
    left, right = slice(None, -1), slice(1, None)
    corners = [
        quantity[up, across].ravel()
        for across in (left, right)
        for up in (left, right)
        for quantity in (cooling, work)
    ]
    return np.stack(corners)


@dataclass(frozen=True)
class Cycle:
    """A machine's cycle for each cubic metre it sweeps."""

    cooling_kj_per_m3: FloatArray
    cooling_per_k: FloatArray
    """Rise of the cooling with evaporating temperature [kJ/(m³ K)]."""
    work_kj_per_m3: FloatArray


class Cycles:
    """Tables of all refrigerants, read for many machines at once."""

    def __init__(self, refrigerants: Sequence[Refrigerant]) -> None:
        tables = [cycle_table(name) for name in REFRIGERANTS]
        first = tables[0]
        self._low_c, self._high_c = float(first.evaporating_c[0]), float(first.condensing_c[0])
        self._low_k = float(first.evaporating_c[1]) - self._low_c
        self._high_k = float(first.condensing_c[1]) - self._high_c
        self._rows, self._columns = first.evaporating_c.size, first.condensing_c.size
        which: IntArray = np.array([REFRIGERANTS.index(name) for name in refrigerants], dtype=np.int64)
        self._offset = which * ((self._rows - 1) * (self._columns - 1))
        self._cells = np.concatenate([_cells(table) for table in tables], axis=1)

    def at(self, evaporating_c: FloatArray, condensing_c: FloatArray) -> Cycle:
        """Return the delivered cycle between two temperatures of each machine, by straight lines.

        Parameters
        ----------
        evaporating_c, condensing_c : (n,) float64
            Held within the table, -45 to 20 and 15 to 85. [°C]

        Returns
        -------
        Cycle
            Arrays of (n,).
        """
        y = np.minimum(np.maximum((evaporating_c - self._low_c) / self._low_k, 0.0), self._rows - 1.001)
        x = np.minimum(np.maximum((condensing_c - self._high_c) / self._high_k, 0.0), self._columns - 1.001)
        row, column = y.astype(np.int64), x.astype(np.int64)
        cell = self._offset + row * (self._columns - 1) + column
        corners = self._cells[:, cell]
        along = corners[:4] + (corners[4:] - corners[:4]) * (x - column)
        rise = along[2:] - along[:2]
        read = along[:2] + rise * (y - row)
        return Cycle(read[0], rise[0] / self._low_k, read[1])


@dataclass(frozen=True)
class Machines:
    """Sizes of all machines, found from what they are rated at."""

    swept_m3_per_s: FloatArray
    electric_efficiency: FloatArray
    evaporator_w_per_k: FloatArray
    """Between refrigerant and plate."""
    condenser_w_per_k: FloatArray
    """Between refrigerant and the air drawn in, fan running where there is one."""
    recirculation_k_per_w: FloatArray
    """Warming of that air by what the condenser itself gives off."""
    condenser_j_per_k: FloatArray
    rated_w: FloatArray
    """Electric, of the compressor where it is rated."""


def sized(
    cycles: Cycles,
    *,
    cooling_w: FloatArray,
    compressor_w: FloatArray,
    cabinet_c: FloatArray,
    plate_gap_k: FloatArray,
    evaporator_gap_k: FloatArray,
    condenser_gap_k: FloatArray,
    recirculation_share: FloatArray,
) -> Machines:
    """Return machines that take `cooling_w` out of a cabinet at `cabinet_c` in 32 °C.

    Parameters
    ----------
    cycles : Cycles
        Of n machines.
    cooling_w : (n,) float64
        Rated. [W]
    compressor_w : (n,) float64
        Electric power at the same conditions, without fans; NaN where not known. [W]
    cabinet_c : (n,) float64
        Cabinet air, usually the set point. [°C]
    plate_gap_k, evaporator_gap_k : (n,) float64
        Cabinet air over plate, and plate over refrigerant, when rated. [K]
    condenser_gap_k : (n,) float64
        Refrigerant over outside air when rated. [K]
    recirculation_share : (n,) float64
        How much of the condenser's air has passed it before. [1]

    Returns
    -------
    Machines
    """
    evaporating_c = cabinet_c - plate_gap_k - evaporator_gap_k
    cycle = cycles.at(evaporating_c, OUTSIDE_RATED_C + condenser_gap_k)
    swept = cooling_w / (1000.0 * cycle.cooling_kj_per_m3)
    ideal_w = 1000.0 * swept * cycle.work_kj_per_m3
    drawn_w = np.where(np.isnan(compressor_w), ideal_w / ELECTRIC_EFFICIENCY, compressor_w)
    rejected_w = cooling_w + drawn_w
    whole = condenser_gap_k / rejected_w
    # The air stream carries off what the coil gives it with a rise of half the gap.
    stream_w_per_k = 2.0 * rejected_w / condenser_gap_k
    recirculated = recirculation_share / ((1.0 - recirculation_share) * stream_w_per_k)
    return Machines(
        swept_m3_per_s=swept,
        electric_efficiency=ideal_w / drawn_w,
        evaporator_w_per_k=cooling_w / evaporator_gap_k,
        condenser_w_per_k=1.0 / (whole - recirculated),
        recirculation_k_per_w=recirculated,
        condenser_j_per_k=20.0 * rejected_w,
        rated_w=drawn_w,
    )


def wetted_share(charge_ratio: FloatArray) -> FloatArray:
    """Return how much of the evaporator still boils when refrigerant is missing.

    All of it down to 0.9 of the right charge, then in proportion, next to none under 0.35 (judgement; a
    slow leak starves the far end of the evaporator first). [1]
    """
    share: FloatArray = np.minimum(np.maximum((charge_ratio - 0.35) / 0.55, 0.02), 1.0)
    return share


def clear_share(charge_ratio: FloatArray) -> FloatArray:
    """Return how much of the condenser is left when too much refrigerant floods it.

    All of it up to 1.05 of the right charge, half at 1.3 (judgement, in the direction published for
    domestic machines: higher pressure, more power, longer runs). [1]
    """
    share: FloatArray = 1.0 / (1.0 + 4.0 * np.maximum(charge_ratio - 1.05, 0.0))
    return share


def work_ratio(compressor_ratio: FloatArray) -> FloatArray:
    """Return the work for each unit of gas delivered by a compressor that delivers less than it should.

    What slips back past worn valves has been compressed in vain: half of it (judgement). [1]
    """
    ratio: FloatArray = (0.5 + 0.5 * compressor_ratio) / np.maximum(compressor_ratio, 0.05)
    return ratio


@dataclass(frozen=True)
class HeatLine:
    """What the evaporator takes from its plate: ``taken_w = at_zero_w + w_per_k x plate_c``."""

    at_zero_w: FloatArray
    w_per_k: FloatArray


def heat_line(
    cycle: Cycle, *, swept_m3_per_s: FloatArray, evaporating_c: FloatArray, evaporator_w_per_k: FloatArray
) -> HeatLine:
    """Return cooling as a line in the plate's temperature, for an implicit step.

    The compressor's capacity is a straight line about the last evaporating temperature, the evaporator
    a conductance; both carry the same heat.

    Parameters
    ----------
    cycle : Cycle
        At `evaporating_c`.
    swept_m3_per_s : (n,) float64
        Zero where the machine stands. [m³/s]
    evaporating_c : (n,) float64
        Of the last step. [°C]
    evaporator_w_per_k : (n,) float64
        Between plate and refrigerant. [W/K]

    Returns
    -------
    HeatLine
        Arrays of (n,). [W], [W/K]
    """
    litres = 1000.0 * swept_m3_per_s
    slope = litres * cycle.cooling_per_k
    share = evaporator_w_per_k / (evaporator_w_per_k + slope)
    return HeatLine(share * (litres * cycle.cooling_kj_per_m3 - slope * evaporating_c), share * slope)


def condensing_after(
    condensing_c: FloatArray,
    *,
    air_c: FloatArray,
    rejected_w: FloatArray,
    machines: Machines,
    conductance_ratio: FloatArray,
    step_s: float,
) -> FloatArray:
    """Return the condensing temperature after a step, stable for any step.

    Parameters
    ----------
    condensing_c : (n,) float64
        Before. [°C]
    air_c : (n,) float64
        Around the condenser. [°C]
    rejected_w : (n,) float64
        Cooling and electric power together. [W]
    machines : Machines
        Sizes.
    conductance_ratio : (n,) float64
        What fan, dust and charge leave of the condenser. [1]
    step_s : float
        [s]

    Returns
    -------
    (n,) float64
        [°C]
    """
    held = machines.condenser_j_per_k / step_s
    coil = 1.0 / (machines.condenser_w_per_k * conductance_ratio)
    conductance = 1.0 / (coil + machines.recirculation_k_per_w)
    after: FloatArray = (held * condensing_c + conductance * air_c + rejected_w) / (held + conductance)
    return after


def condenser_ratio(faults: Mapping[str, FloatArray], *, has_fan: FloatArray) -> FloatArray:
    """Return what fan, dust and charge leave of a condenser [1]."""
    fan = 1.0 - (1.0 - FAN_DEAD_SHARE) * has_fan * (1.0 - faults["condenser_fan"])
    left: FloatArray = faults["condenser_ratio"] * fan * clear_share(faults["charge_ratio"])
    return np.maximum(left, 0.02)
