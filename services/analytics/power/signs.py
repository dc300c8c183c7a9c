"""What speaks for a low voltage at a stop, by the voltages before it, in it and to be expected at a start."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.stops import Stops
from services.analytics.power.threshold import ABOVE_CUTOUT_V, Threshold
from services.analytics.power.turned import LATE_MS
from services.telemetry import FloatArray
from services.timebase import HOUR_MS

DEAD_V = 3.0
TIGHT_V = 0.06
"""A stop that comes early within this of the cut-out is no coincidence (judgement)."""
PREDICTED_V = 0.12
"""Margin on the voltage expected under load."""
FLAT_REST_V = 11.75
"""A battery that rests here is nearly empty whatever its kind: 10 to 20 % of lead-acid tables."""
UNSEEN_MS = 3 * HOUR_MS
UNSEEN_RATIO = 4.0
"""Standing this many times longer than usual, with a path that lets no start succeed: starts too short to be
seen at this interval (judgement)."""


def is_low(stops_v_on: FloatArray, threshold: Threshold) -> BoolArray:
    """Return which voltages under load lie where a cut-out acts, or below, as attempts do."""
    return np.asarray(
        (stops_v_on > DEAD_V) & (stops_v_on <= threshold.volts_12 + ABOVE_CUTOUT_V), dtype=np.bool_
    )


def _limit_v(frame: Frame, stops: Stops, threshold: Threshold) -> FloatArray:
    """Return the cut-out in force at each stop [V at 12 V]."""
    base = np.full(stops.v_on.shape, threshold.volts_12)
    at_ms = frame.t_ms[stops.on_at]
    for turned in threshold.turned:
        within = (at_ms >= turned.from_ms) & (at_ms < turned.to_ms)
        base = np.where(within, np.maximum(base, turned.volts_12), base)
    return base


def late_from_ms(frame: Frame) -> int:
    """Return from when on a start is late: coarse samples show turns late themselves [ms]."""
    return max(LATE_MS, 2 * frame.spacing_ms)


@dataclass(frozen=True)
class Signs:
    """What speaks for a low voltage at each stop."""

    near: BoolArray
    """It stopped near the cut-out or below."""
    tight: BoolArray
    """It stopped at the cut-out or below, too closely for chance."""
    held: BoolArray
    """It stood, late, at a voltage from which no start can succeed."""
    unseen: BoolArray
    """It stood far longer than usual at such a voltage, though the cabinet was held: starts not seen."""


def signs_of(frame: Frame, stops: Stops, threshold: Threshold) -> Signs:
    """Return what speaks for a low voltage at each stop, against the cut-out in force."""
    limit = _limit_v(frame, stops, threshold)
    near = (stops.v_on > DEAD_V) & (stops.v_on <= limit + ABOVE_CUTOUT_V)
    tight = (stops.v_on > DEAD_V) & (stops.v_on <= limit + TIGHT_V)
    predicted = stops.late_v - np.where(np.isfinite(stops.sag_v), stops.sag_v, 0.0)
    hopeless = (stops.late_v > DEAD_V) & ((predicted <= limit + PREDICTED_V) | (stops.late_v <= FLAT_REST_V))
    late = stops.late_ms >= late_from_ms(frame)
    usual_ms = float(np.median(stops.off_ms)) if stops.off_ms.size else 0.0
    unseen = hopeless & (stops.off_ms >= max(UNSEEN_MS, UNSEEN_RATIO * usual_ms)) & (stops.late_ms == 0)
    return Signs(near, tight, late & (near | hopeless), unseen)
