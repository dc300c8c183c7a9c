"""The cut-out voltage in force: as the unit reports it, as the file says, or as its own cut-outs show."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.stops import Stops, stops_of
from services.analytics.power.thermostat import Band
from services.analytics.power.turned import DELAY_MS, Turned, turned_down, turned_up
from services.domain import UnitSettings

BELOW_CUTOUT_V = 0.3
"""One reading may fall during the delay before a cut-out acts."""
ABOVE_CUTOUT_V = 0.5
"""One reading may miss the dip by current times resistance."""
HIGHEST_CUTOUT_V = 11.95
LOWEST_CUTOUT_V = 9.4
"""Cut-outs of 12 V compressor electronics lie at 9.6 to 11.9 V (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """The cut-out voltage in force, at 12 V nominal, and where it comes from."""

    volts_12: float
    origin: Literal["unit", "file", "observed", "default"]
    differs_from_file: bool = False
    turned: tuple[Turned, ...] = ()
    """Others, in force for a while or since then: somebody turned it, or the unit took other limits."""

    def turned_at(self, t_ms: int) -> Turned | None:
        """Return what was turned and in force at an instant."""
        return next((one for one in self.turned if one.covers(t_ms)), None)

    def at(self, t_ms: int) -> float:
        """Return the cut-out in force at an instant [V at 12 V]."""
        turned = self.turned_at(t_ms)
        return self.volts_12 if turned is None else turned.volts_12


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
    given = _turned(frame, stops, Threshold(file_v, "file"))
    if given.turned and given.turned[-1].volts_12 < file_v:
        return given
    if observed is not None:
        volts, count = observed
        apart = volts < file_v - BELOW_CUTOUT_V or volts > file_v + ABOVE_CUTOUT_V
        if apart and (count > 1 or _ran_below(frame, file_v)):
            return _turned(frame, stops, Threshold(volts, "observed", differs_from_file=True))
    return given


def _ran_below(frame: Frame, volts: float) -> bool:
    """Return whether the compressor ran on below a voltage for longer than any delay."""
    below = frame.on & (frame.volts_12 < volts - 0.15)
    return int(np.sum(frame.held_ms[below])) > DELAY_MS


def _clear(stops: Stops) -> BoolArray:
    """Return which stops are lock-outs beyond doubt."""
    usual = (stops.v_on >= LOWEST_CUTOUT_V) & (stops.v_on <= HIGHEST_CUTOUT_V)
    return np.asarray(stops.locked & ~stops.tripped & usual & (stops.v_off > stops.v_on), dtype=np.bool_)


def _observed_v(frame: Frame, stops: Stops) -> tuple[float, int] | None:
    """Return the voltage at which this unit's own lock-outs began, and how many there were."""
    clear = _clear(stops)
    if not bool(np.any(clear)):
        return None
    volts = float(np.median(stops.v_on[clear]))
    return None if _ran_below(frame, volts) else (volts, int(np.sum(clear)))


def _turned(frame: Frame, stops: Stops, base: Threshold) -> Threshold:
    """Return a threshold with what was in force instead for a while."""
    found = turned_up(frame, stops, above_12=base.volts_12 + ABOVE_CUTOUT_V)
    down = turned_down(frame, stops, _clear(stops), below_12=base.volts_12 - BELOW_CUTOUT_V)
    return replace(base, turned=found or down)
