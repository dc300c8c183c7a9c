"""What is known around the stops of one log: charging, discharges from full, steps of the supply path."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np

from services.analytics.power.charging import charging_at, stretches_of
from services.analytics.power.curves import RestCurve, curve_of, soc_at_rest
from services.analytics.power.frame import BoolArray, Frame, runs_of
from services.analytics.power.resistance import Steps, stop_steps
from services.analytics.power.threshold import Threshold
from services.domain import Evidence, UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

Cause = Literal[
    "battery_flat", "battery_weak", "wiring", "charging", "limits", "supply_interrupted", "unit", "unknown"
]

TOP_SOC = 0.95
LEAST_TOP_MS = 15 * MINUTE_MS
"""A bank that a charger held at its absorption voltage this long is nearly full (judgement)."""
LEAST_LOST = 0.25
"""A discharge shows the capacity when it took at least this share of it (judgement)."""
TAIL_SAMPLES = 20
LEAST_LIVE_V = 9.0


@dataclass(frozen=True)
class Background:
    """What is known around the events of one log."""

    frame: Frame
    settings: UnitSettings
    threshold: Threshold
    ah: FloatArray
    """Charge drawn from the bank since the first sample. [Ah]"""
    full_ms: IntArray
    measured_ah: float | None
    """Capacity as counted between rest voltages. [Ah]"""
    charged: bool
    """Whether charging was seen at all."""

    @cached_property
    def curve(self) -> RestCurve:
        """The rest curve of the bank."""
        return curve_of(self.settings)[0]

    @cached_property
    def steps(self) -> Steps:
        """The resistance seen at each usable stop."""
        return stop_steps(self.frame, runs_of(self.frame), self.settings)

    @cached_property
    def charges_ms(self) -> tuple[IntArray, IntArray]:
        """Begins and ends of charging."""
        parts = stretches_of(charging_at(self.frame, self.curve))
        charging = parts.charging
        return self.frame.t_ms[parts.first[charging]], self.frame.t_ms[parts.last[charging]]

    @cached_property
    def topped(self) -> BoolArray:
        """Which chargings held the bank at absorption long enough to leave it nearly full."""
        frame, (starts, ends) = self.frame, self.charges_ms
        high = np.where(frame.volts_12 >= self.curve.full_above_v, frame.held_ms, 0)
        total = np.concatenate([[0], np.cumsum(high)])
        first, last = np.searchsorted(frame.t_ms, starts), np.searchsorted(frame.t_ms, ends, side="right")
        return np.asarray(total[last] - total[first] >= LEAST_TOP_MS, dtype=np.bool_)

    @cached_property
    def discharges(self) -> tuple[IntArray, FloatArray]:
        """Ends of the discharges between a top and the next charging, and the capacity each showed."""
        frame, (starts, ends) = self.frame, self.charges_ms
        found: list[tuple[int, float]] = []
        for k in np.flatnonzero(self.topped[:-1]):
            low, high = np.searchsorted(frame.t_ms, [ends[k], starts[k + 1]])
            tail = slice(max(int(low), int(high) - TAIL_SAMPLES), int(high))
            still = frame.volts_12[tail][~frame.on[tail] & (frame.volts_12[tail] > LEAST_LIVE_V)]
            if still.size == 0:
                continue
            lost = TOP_SOC - float(soc_at_rest(float(np.max(still)), self.curve))
            if lost >= LEAST_LOST:
                given = float(self.ah[high - 1] - self.ah[low])
                found.append((int(starts[k + 1]), given / lost))
        return (
            np.array([t for t, _ in found], dtype=np.int64),
            np.array([ah for _, ah in found], dtype=np.float64),
        )


@dataclass(frozen=True, slots=True)
class Seen:
    """The voltages around one stop, at 12 V."""

    v_on: float | None
    rebound: float | None
    rest: float | None
    soc: float | None
    """What the rest voltage stands for."""


@dataclass(frozen=True)
class Found:
    """A cause, what speaks for it in words, and the rows behind the words."""

    cause: Cause
    why: str
    evidence: tuple[Evidence, ...] = field(default=())
