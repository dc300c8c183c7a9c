"""Stretches in which another cut-out than the usual one was in force: somebody turned it, perhaps back."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.stops import Stops
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

LATE_MS = 12 * MINUTE_MS
"""A start this late was held off: no rest of a compressor is so long (judgement)."""
LIFTED_V = 0.2
"""A voltage that came up so far before the compressor ran again is what let it run (judgement)."""
SPREAD_V = 0.25
UP_TO_V = 13.0
FEWEST = 2
"""Stops that must agree on a voltage before another cut-out than the one supposed is believed (judgement)."""
AGREEING_SHARE = 0.75
DELAY_MS = 5 * MINUTE_MS
"""Running longer than this below a supposed cut-out disproves it."""
BELOW_V = 0.15
STILL_MS = 2**62


@dataclass(frozen=True, slots=True)
class Turned:
    """A cut-out in force in ``[from_ms, to_ms)``."""

    volts_12: float
    from_ms: int
    to_ms: int = STILL_MS
    """`STILL_MS`: still so."""

    def covers(self, t_ms: int) -> bool:
        """Return whether an instant lies in it."""
        return self.from_ms <= t_ms < self.to_ms


def turned_up(frame: Frame, stops: Stops, *, above_12: float) -> tuple[Turned, ...]:
    """Return the stretches in which the unit stopped mid-run at one higher voltage.

    It takes two stops mid-run at one voltage, the compressor standing late after each of them, and running
    again only when the voltage had come up: a machine that trips on heat resumes at any voltage. Having run
    on at a lower voltage, before or after, ends the stretch.

    Parameters
    ----------
    frame : Frame
        Samples.
    stops : Stops
        Their stops.
    above_12 : float
        Up to here a stop may be the usual cut-out's. [V at 12 V]
    """
    late = stops.early & (stops.late_ms >= LATE_MS) & ~stops.tripped
    odd = np.flatnonzero(late & (stops.v_on > above_12) & (stops.v_on <= UP_TO_V))
    found = []
    for level in _levels(stops.v_on[odd]):
        low_ms = frame.t_ms[frame.on & (frame.volts_12 < level - SPREAD_V) & (frame.held_ms > 0)]
        near = odd[np.abs(stops.v_on[odd] - level) <= SPREAD_V]
        at_ms = frame.t_ms[stops.on_at[near]]
        place = np.searchsorted(low_ms, at_ms)
        for part in np.unique(place).tolist():
            from_ms = int(low_ms[part - 1]) + 1 if part > 0 else int(frame.t_ms[0])
            to_ms = int(low_ms[part]) if part < low_ms.size else STILL_MS
            rows = near[place == part]
            if _held_off(stops, rows, _inside(frame, stops, odd, from_ms, to_ms)):
                found.append(Turned(float(np.median(stops.v_on[rows])), from_ms, to_ms))
    return _apart(found)


def turned_down(frame: Frame, stops: Stops, clear: BoolArray, *, below_12: float) -> tuple[Turned, ...]:
    """Return the stretch, at the end of the samples, of lock-outs at a voltage lower than those before.

    Parameters
    ----------
    frame, stops : Frame, Stops
        As above.
    clear : (k,) bool
        Which stops are lock-outs beyond doubt.
    below_12 : float
        From here up a stop may be the usual cut-out's. [V at 12 V]
    """
    rows = np.flatnonzero(clear)
    usual = np.flatnonzero(stops.v_on[rows] >= below_12)
    if usual.size == 0 or rows.size - usual[-1] - 1 < FEWEST:
        return ()  # always so low: that is the usual one
    last = rows[usual[-1] + 1 :]
    level = float(np.median(stops.v_on[last]))
    since_ms = int(frame.t_ms[stops.on_at[rows[usual[-1]]]]) + 1
    below = frame.on & (frame.volts_12 < below_12 - BELOW_V) & (frame.t_ms >= since_ms)
    if int(np.sum(frame.held_ms[below])) <= DELAY_MS or np.ptp(stops.v_on[last]) > 2.0 * SPREAD_V:
        return ()
    return (Turned(level, int(frame.t_ms[np.flatnonzero(below)[0]])),)


def _levels(volts: FloatArray) -> list[float]:
    """Return the voltages that stops crowd at, from the highest down."""
    ordered = np.sort(volts)[::-1]
    found: list[float] = []
    while ordered.size:
        group = ordered[ordered >= ordered[0] - SPREAD_V]
        found.append(float(np.median(group)))
        ordered = ordered[group.size :]
    return found


def _inside(frame: Frame, stops: Stops, rows: IntArray, from_ms: int, to_ms: int) -> int:
    """Return how many of some stops lie in a stretch."""
    at_ms = frame.t_ms[stops.on_at[rows]]
    return int(np.count_nonzero((at_ms >= from_ms) & (at_ms < to_ms)))


def _held_off(stops: Stops, rows: IntArray, among: int) -> bool:
    """Return whether enough of the stops in a stretch waited for the voltage."""
    lifted = ~(stops.started_v[rows] < np.fmin(stops.late_v[rows], stops.v_off[rows]) + LIFTED_V)
    return int(np.count_nonzero(lifted)) >= max(FEWEST, AGREEING_SHARE * among)


def _apart(found: list[Turned]) -> tuple[Turned, ...]:
    """Return stretches in order of time, the longer of two that overlap."""
    kept: list[Turned] = []
    for one in sorted(found, key=lambda turned: (turned.from_ms, -turned.to_ms)):
        if not kept or one.from_ms >= kept[-1].to_ms:
            kept.append(one)
    return tuple(kept)
