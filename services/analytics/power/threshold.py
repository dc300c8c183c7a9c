"""The cut-out voltage in force: as the unit reports it, as the file says, or as its own cut-outs show."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.power.frame import Frame, Runs
from services.analytics.power.stops import Stops, stops_of
from services.analytics.power.thermostat import Band
from services.domain import UnitSettings
from services.timebase import MINUTE_MS

BELOW_CUTOUT_V = 0.3
"""One reading may fall during the delay before a cut-out acts."""
ABOVE_CUTOUT_V = 0.5
"""One reading may miss the dip by current times resistance."""
HIGHEST_CUTOUT_V = 11.95
LOWEST_CUTOUT_V = 9.4
"""Cut-outs of 12 V compressor electronics lie at 9.6 to 11.9 V (common practice, no source)."""
DELAY_MS = 5 * MINUTE_MS
"""Running longer than this below a supposed cut-out disproves it."""
LATE_MS = 12 * MINUTE_MS
"""A start this late was held off: no rest of a compressor is so long (judgement)."""
LIFTED_V = 0.2
"""A voltage that came up so far before the compressor ran again is what let it run (judgement)."""
TURNED_SPREAD_V = 0.25
TURNED_UP_TO_V = 13.0
FEWEST_TURNED = 2
"""Stops, mid-run and followed by a long stand, that must agree on one voltage before a cut-out above the one
supposed is believed (judgement)."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """The cut-out voltage in force, at 12 V nominal, and where it comes from."""

    volts_12: float
    origin: Literal["unit", "file", "observed", "default"]
    differs_from_file: bool = False
    turned_12: float | None = None
    """A higher one seen later in the same log: somebody turned it, or the unit took other limits. [V]"""
    turned_ms: int = 0
    """Since when."""


def threshold_of(
    frame: Frame, runs: Runs, band: Band, settings: UnitSettings, reported_v: float | None
) -> Threshold:
    """Return the cut-out voltage: as the unit reports it, as the file says, as observed, else a default.

    What is observed wins over the file when two or more cut-outs agree on another value, or the unit ran
    on below the file's.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.
    band : Band
        The thermostat's.
    settings : UnitSettings
        Names the cut-out where the owner knows it.
    reported_v : float or None
        As the unit reports it, at its own nominal voltage. [V]
    """
    if reported_v is not None:
        return Threshold(reported_v / frame.volt_scale, "unit")
    stops = stops_of(frame, runs, band)
    observed = _observed_v(frame, stops)
    file_v = None if settings.cutout_v is None else settings.cutout_v / frame.volt_scale
    if file_v is None:
        if observed is not None:
            return _turned(frame, stops, Threshold(observed[0], "observed"))
        return _turned(frame, stops, Threshold(settings.default_cutout_v / frame.volt_scale, "default"))
    if observed is not None:
        volts, count = observed
        apart = volts < file_v - BELOW_CUTOUT_V or volts > file_v + ABOVE_CUTOUT_V
        if apart and (count > 1 or _ran_below(frame, file_v)):
            return _turned(frame, stops, Threshold(volts, "observed", differs_from_file=True))
    return _turned(frame, stops, Threshold(file_v, "file"))


def _ran_below(frame: Frame, volts: float) -> bool:
    """Return whether the compressor ran on below a voltage for longer than any delay."""
    below = frame.on & (frame.volts_12 < volts - 0.15)
    return int(np.sum(frame.held_ms[below])) > DELAY_MS


def _observed_v(frame: Frame, stops: Stops) -> tuple[float, int] | None:
    """Return the voltage at which this unit's own lock-outs began, and how many there were."""
    clear = (
        stops.locked
        & ~stops.tripped
        & (stops.v_on >= LOWEST_CUTOUT_V)
        & (stops.v_on <= HIGHEST_CUTOUT_V)
        & (stops.v_off > stops.v_on)
    )
    if not bool(np.any(clear)):
        return None
    volts = float(np.median(stops.v_on[clear]))
    return None if _ran_below(frame, volts) else (volts, int(np.sum(clear)))


def _turned(frame: Frame, stops: Stops, base: Threshold) -> Threshold:
    """Return a threshold with a higher one seen later, where mid-run stops agree on it.

    It takes two stops mid-run at one voltage, the compressor standing late after each of them, and running
    again only when the voltage had come up: a machine that trips on heat resumes at any voltage.
    """
    odd = (
        stops.early
        & (stops.late_ms >= LATE_MS)
        & ~stops.tripped
        & (stops.v_on > base.volts_12 + ABOVE_CUTOUT_V)
        & (stops.v_on <= TURNED_UP_TO_V)
    )
    volts = stops.v_on[odd]
    if volts.size < FEWEST_TURNED:
        return base
    level = float(np.median(volts))
    near = odd & (np.abs(stops.v_on - level) <= TURNED_SPREAD_V)
    lifted = ~(stops.started_v < np.fmin(stops.late_v, stops.v_off) + LIFTED_V)
    if int(np.sum(near & lifted)) < max(FEWEST_TURNED, 0.75 * volts.size):
        return base
    ran = frame.on & (frame.volts_12 < level - TURNED_SPREAD_V) & (frame.held_ms > 0)
    last_low_ms = int(frame.t_ms[np.flatnonzero(ran)[-1]]) if bool(np.any(ran)) else int(frame.t_ms[0])
    after = near & (frame.t_ms[stops.on_at] > last_low_ms)
    if int(np.sum(after)) < FEWEST_TURNED:
        return base
    return Threshold(base.volts_12, base.origin, base.differs_from_file, level, last_low_ms)
