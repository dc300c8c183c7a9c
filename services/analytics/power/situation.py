"""What a run-out forecast needs to know, as of one moment."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from services.analytics.power.capacity import Capacity
from services.analytics.power.charge import ChargeState
from services.analytics.power.drop import Drop
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.holdover import HoldOver
from services.analytics.power.shared import BankLoad
from services.domain import UnitSettings
from services.telemetry import FloatArray
from services.timebase import HOUR_MS

NEWEST_RUNS = 100
SHORT_RUN_H = 0.25
"""Where none was seen to its end (judgement)."""


@dataclass(frozen=True)
class Situation:
    """Everything the forecast needs, as of one moment."""

    frame: Frame
    ordinary: BoolArray
    settings: UnitSettings
    capacity: Capacity | None
    state: ChargeState
    drop: Drop
    run_h: float
    """How long a run of its machine lasts. [h]"""
    cutout_v_12: float
    cut_out_since_ms: int | None
    held: HoldOver | None
    food_limit_c: float
    as_of_ms: int
    charging: BoolArray | None = None
    """(n,) Where something charges."""
    ah: FloatArray | None = None
    """(n,) Charge drawn since the first sample. [Ah]"""
    others: BankLoad | None = None
    """What the bank's other units draw, where that is known."""
    until_ms: Sequence[int] = field(default=())
    """Moments somebody asks about."""


def usual_run_h(runs: Runs) -> float:
    """Return how long a run of the machine usually lasts, of the newest [h]."""
    lasted = (runs.end_ms - runs.start_ms)[runs.on & runs.joined][-NEWEST_RUNS:]
    return float(np.median(lasted)) / HOUR_MS if lasted.size else SHORT_RUN_H
