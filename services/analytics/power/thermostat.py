"""The thermostat's band, learned from where the compressor stopped and started on a healthy supply."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import Frame, Runs
from services.telemetry import FloatArray

DEFAULT_HALF_DIFFERENTIAL_K = 1.0
"""Half the thermostat's differential where the log shows too few turns (judgement, no source)."""

FEWEST_TURNS = 3
HEALTHY_V = 11.9
"""Turns above this, at 12 V, are taken for the thermostat's own: above every usual cut-out."""
LEAST_MARGIN_K = 0.5
LEAST_STOP_MARGIN_K = 0.3


@dataclass(frozen=True, slots=True)
class Band:
    """Where the thermostat stops and starts the compressor, against the set point."""

    stop_k: float
    start_k: float
    margin_k: float
    """How far past the band counts as past it: half its width, its scatter, at least 0.5 K."""
    stop_margin_k: float
    """As `margin_k`, for a stop after which the compressor did not start again: scatter, at least 0.3 K."""
    learned: bool

    @property
    def stopped_above_k(self) -> float:
        """A stop above this was not quite the thermostat's."""
        return self.stop_k + self.stop_margin_k

    @property
    def warm_above_k(self) -> float:
        """A stop above this was clearly not the thermostat's."""
        return self.stop_k + self.margin_k

    @property
    def locked_above_k(self) -> float:
        """A cabinet above this with the compressor still would have started it."""
        return self.start_k + self.margin_k


def band_of(frame: Frame, runs: Runs) -> Band:
    """Return the thermostat's band of one log.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.

    Returns
    -------
    Band
        Medians over the turns made above `HEALTHY_V` (or with no voltage measured), so that neither
        cut-outs nor a few trips move it; the set point ± 1 K with fewer than three of either kind.
    """
    turn = runs.joined[:-1] if runs.joined.size else runs.joined
    before = runs.last[:-1][turn]
    volts = frame.volts_12[before]
    level = frame.above_set_k[before + 1] if before.size else frame.above_set_k[:0]
    usable = np.isfinite(level) & ~(volts <= HEALTHY_V)
    was_on = frame.on[before]
    stops, starts = level[usable & was_on], level[usable & ~was_on]
    if min(stops.size, starts.size) < FEWEST_TURNS:
        half = DEFAULT_HALF_DIFFERENTIAL_K
        return Band(-half, half, half, LEAST_STOP_MARGIN_K, learned=False)
    stop_k, start_k = float(np.median(stops)), float(np.median(starts))
    scatter = 3.0 * max(_spread(stops), _spread(starts))
    margin = max(LEAST_MARGIN_K, 0.5 * (start_k - stop_k), scatter)
    stop_margin = max(LEAST_STOP_MARGIN_K, 3.0 * _spread(stops))
    return Band(stop_k, max(start_k, stop_k), margin, stop_margin, learned=True)


def _spread(values: FloatArray) -> float:
    """Return a standard deviation that a few odd values do not move."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
