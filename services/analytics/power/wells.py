"""Two-well charge of a battery: recovery in rest, and what a hard draw leaves behind."""

import math
from dataclasses import dataclass

from services.domain import UnitSettings


@dataclass(frozen=True, slots=True)
class Wells:
    """Parameters of the kinetic battery model."""

    available_share: float
    """Share of all charge that the available well holds when full."""
    rate_per_h: float
    """How fast the wells level out. [1/h]"""


LEAD_ACID_WELLS = Wells(available_share=0.703, rate_per_h=1.011)
"""Fitted to the capacities of an open electrochemical lead-acid model between C/100 and 1C (worst error
1.0 %; worked out once)."""

LITHIUM_WELLS = Wells(available_share=0.95, rate_per_h=6.0)
"""Nearly one well (judgement, no source)."""


def wells_of(settings: UnitSettings) -> Wells:
    """Return the parameters for a unit's bank; lead-acid where the file names no chemistry."""
    bank = settings.bank
    chemistry = bank.chemistry if bank is not None else settings.unit.supply.chemistry
    return LITHIUM_WELLS if chemistry == "lifepo4" else LEAD_ACID_WELLS


def tilt_after(tilt: float, *, current_share_per_h: float, hours: float, wells: Wells) -> float:
    """Return how much lower the available well stands than the whole, after a step.

    Parameters
    ----------
    tilt : float
        Level of the available well less that of both together, before; 0 when rested. [share of capacity]
    current_share_per_h : float
        Discharge current over capacity. [1/h]
    hours : float
        Length of the step. [h]
    wells : Wells
        Parameters.

    Returns
    -------
    float
        Negative under load. The closed form over one step [1]_, written for the difference of levels: it
        falls towards ``-(1 - c) i / (c k')`` and levels out in rest. [share of capacity]

    References
    ----------
    .. [1] Manwell and McGowan, Solar Energy 50 (1993) 399-405.
    """
    share, rate = wells.available_share, wells.rate_per_h
    decay = math.exp(-rate * hours)
    settled = -current_share_per_h * (1.0 - share) / (share * rate)
    return tilt * decay + settled * (1.0 - decay)


def tilt_while_running(*, running_share_per_h: float, duty: float, run_h: float, wells: Wells) -> float:
    """Return how far the available well stands below the whole at the end of an ordinary run, as a share.

    Parameters
    ----------
    running_share_per_h : float
        Current while running over capacity. [1/h]
    duty : float
        Share of time it runs. [0 … 1]
    run_h : float
        Length of a run. [h]
    wells : Wells
        Parameters.

    Returns
    -------
    float
        What rests and runs have left standing on average, and what one run adds to it. [share of capacity]
    """
    settled = tilt_after(0.0, current_share_per_h=running_share_per_h, hours=1e9, wells=wells)
    within = 1.0 - math.exp(-wells.rate_per_h * run_h)
    return -settled * (duty + (1.0 - duty) * within)
