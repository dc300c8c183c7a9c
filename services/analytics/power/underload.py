"""Charge read while the machine runs, for cabinets that hardly ever rest: weaker than a rest voltage."""

import numpy as np

from services.analytics.power.curves import CURVES, curve_of, soc_at_rest
from services.analytics.power.drop import Drop, loaded_v
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.siteclock import by_night
from services.analytics.power.track import Rests
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

APART_MS = 6 * HOUR_MS
"""One reading for each of these, and only where no rest was read for as long: what is off in one, the cable
above all, is off in the next as well (judgement)."""
STEADY_MS = 10 * MINUTE_MS
"""A run this long has its starting current behind it (judgement)."""
LOADED_SD = 0.2
"""Of a state of charge read so: 30 mΩ of unknown cable at 4.5 A are 0.14 V, a tenth of a lead-acid battery's
range, the battery's own resistance is as uncertain, and the rest is a rest voltage's (judgement)."""
LEAST_LOADED_V = 9.0
"""A lower voltage is an interrupted supply (judgement). [V at 12 V]"""
GRID = np.linspace(0.0, 1.0, 251)


def read_under_load(
    frame: Frame, runs: Runs, settings: UnitSettings, *, charging: BoolArray, drop: Drop, rests: Rests
) -> Rests:
    """Return rests with readings under load put where none is for hours, in order of time.

    Parameters
    ----------
    frame, runs : Frame, Runs
        Samples and their runs.
    settings : UnitSettings
        Chemistry and loads.
    charging : (n,) bool
        Where something charges.
    drop : Drop
        Cable, joints and battery.
    rests : Rests
        What was read at rest.

    Returns
    -------
    Rests
        A loaded reading is the state of charge whose rest voltage, less current times drop, is what is
        shown. Nothing is read where the current is neither measured nor constant, on the flat part of
        lithium iron phosphate, or by day under a panel.
    """
    if len(frame) == 0 or not bool(np.any(frame.on)):
        return rests
    curve, _ = curve_of(settings)
    run = np.repeat(np.arange(runs.first.size), runs.last - runs.first + 1)
    steady = frame.on & ~charging & ~(frame.fed > 0) & (frame.t_ms - runs.start_ms[run] >= STEADY_MS)
    steady &= (frame.volts_12 > LEAST_LOADED_V) & (frame.volts_12 <= curve.charging_above_v)
    if settings.unit.compressor.variable_speed:
        steady &= np.isfinite(frame.current_a)
    at = np.flatnonzero(steady)
    block = frame.t_ms[at] // APART_MS
    last = np.ones(at.shape, dtype=np.bool_)
    last[:-1] = block[1:] != block[:-1]
    at = at[last]
    at = at[_alone(frame.t_ms[at], frame.t_ms[rests.at])]
    if settings.unit.supply.panel_wp > 0:
        at = at[by_night(frame.t_ms[at], settings)]
    soc = _soc(frame, at, settings, drop)
    if curve is CURVES["lifepo4"]:
        trusted = soc <= float(soc_at_rest(curve.trusted_below_v, curve))
        at, soc = at[trusted], soc[trusted]
    both = np.concatenate([rests.at, at])
    order = np.argsort(both, kind="stable")
    return Rests(
        both[order],
        np.concatenate([rests.soc, soc])[order],
        np.concatenate([rests.sd, np.full(at.size, LOADED_SD)])[order],
        np.concatenate([rests.flat, np.zeros(at.size, dtype=np.bool_)])[order],
    )


def _alone(t_ms: IntArray, rests_ms: IntArray) -> BoolArray:
    """Return which instants have no rest read in the hours before."""
    if rests_ms.size == 0:
        return np.ones(t_ms.shape, dtype=np.bool_)
    before = np.searchsorted(rests_ms, t_ms) - 1
    return np.asarray((before < 0) | (t_ms - rests_ms[np.maximum(before, 0)] > APART_MS), dtype=np.bool_)


def _soc(frame: Frame, at: IntArray, settings: UnitSettings, drop: Drop) -> FloatArray:
    """Return the states of charge at which samples show what they do; 0 where none shows so little."""
    own_a = np.where(np.isfinite(frame.current_a[at]), frame.current_a[at], settings.running_a)
    shown = loaded_v(GRID[None, :], settings, drop, unit_a=own_a[:, None])
    return np.asarray(np.mean(shown < frame.volts_12[at][:, None], axis=1), dtype=np.float64)
