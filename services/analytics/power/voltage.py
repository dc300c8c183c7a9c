"""Whether the voltage reading tells of the battery at all: another scale, or a reading that stands still."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

BoolArray = npt.NDArray[np.bool_]

MOST_V = 17.0
"""No 12 V system shows more, cold equalising included: another scale or a broken reading (judgement).
[V at 12 V]"""
LEAST_MIDDLE_V = 8.0
"""No machine turns on a day whose middle voltage is lower, rests included: the lowest usual cut-out is 9.6 V
(common practice, no source), the rest is a reading a little low (judgement). [V at 12 V]"""
LEAST_READ_V = 1.0
"""Less is a supply that is away. [V at 12 V]"""
FEWEST = 5
"""So many readings a day with the machine running, or too high for any battery, before it is judged."""
STUCK_MS, STUCK_TURNS = 12 * HOUR_MS, 12
"""A voltage that stays the same to the last digit for so long while the machine starts and stops is no
reading: any battery and cable give way under its current (judgement)."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch of samples, ends included, whose voltage is not the battery's."""

    flag: Literal["stuck", "scaled"]
    first: int
    last: int
    shown_12: float
    """What it read, at 12 V nominal. [V]"""

    def words(self, volt_scale: float) -> str:
        """Return what to say of it."""
        shown = f"{self.shown_12 * volt_scale:.1f} V"
        if self.flag == "stuck":
            return (
                f"the battery voltage stands at {shown} to the last digit while the compressor starts and"
                " stops: its channel is stuck"
            )
        half = ", or the unit is connected to one half of it" if volt_scale > 1.0 else ""
        return (
            f"the battery voltage reads about {shown} on a {12.0 * volt_scale:.0f} V bank: its channel is of"
            f" another scale, the file names the wrong nominal voltage{half}"
        )


def doubts_of(t_ms: IntArray, volts_12: FloatArray, on: BoolArray) -> tuple[Doubt, ...]:
    """Return the stretches in which the voltage is not to be believed, in order of time.

    Parameters
    ----------
    t_ms : (n,) int64
        Times, strictly increasing. [ms]
    volts_12 : (n,) float64
        As read, at 12 V nominal; NaN where not measured. [V]
    on : (n,) bool
        Whether the machine runs.
    """
    return tuple(
        sorted((*_scaled(t_ms, volts_12, on), *_stuck(t_ms, volts_12, on)), key=lambda doubt: doubt.first)
    )


def believed(volts_12: FloatArray, doubts: tuple[Doubt, ...]) -> FloatArray:
    """Return voltages without those no battery has and those in doubt."""
    volts = np.where(np.abs(volts_12) <= MOST_V, volts_12, np.nan)
    for doubt in doubts:
        volts[doubt.first : doubt.last + 1] = np.nan
    return volts


def _scaled(t_ms: IntArray, volts_12: FloatArray, on: BoolArray) -> list[Doubt]:
    """Return the days on which the machine ran at a voltage none runs at, or no battery has."""
    read = np.isfinite(volts_12) & (np.abs(volts_12) > LEAST_READ_V)
    telling = read & (on | (volts_12 > MOST_V))
    shown_12 = volts_12[read]
    usual = shown_12.size and float(np.min(shown_12)) >= LEAST_MIDDLE_V and float(np.max(shown_12)) <= MOST_V
    if usual or not bool(np.any(telling)):
        return []  # no middle of a day lies outside where no reading does
    edges = np.concatenate([[0], np.flatnonzero(np.diff(t_ms // DAY_MS)) + 1, [t_ms.size]])
    found: list[Doubt] = []
    open_ = False
    for first, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if int(np.count_nonzero(telling[first:end])) < FEWEST:
            continue  # says nothing: it goes with the days around it
        shown = float(np.median(volts_12[first:end][read[first:end]]))
        if LEAST_MIDDLE_V <= shown <= MOST_V:
            open_ = False
            continue
        if open_:
            found[-1] = Doubt("scaled", found[-1].first, end - 1, shown)
        else:
            found.append(Doubt("scaled", first, end - 1, shown))
        open_ = True
    if open_ and found:
        found[-1] = Doubt("scaled", found[-1].first, int(t_ms.size) - 1, found[-1].shown_12)
    return found


def _stuck(t_ms: IntArray, volts_12: FloatArray, on: BoolArray) -> list[Doubt]:
    """Return the stretches in which it stands still although the machine turns on and off."""
    if volts_12.size == 0:
        return []
    starts = np.flatnonzero(np.concatenate([[True], volts_12[1:] != volts_12[:-1]]))
    ends = np.append(starts[1:], volts_12.size) - 1
    long = t_ms[ends] - t_ms[starts] >= STUCK_MS
    return [
        Doubt("stuck", first, last, float(volts_12[first]))
        for first, last in zip(starts[long].tolist(), ends[long].tolist(), strict=True)
        if np.count_nonzero(on[first + 1 : last + 1] != on[first:last]) >= STUCK_TURNS
    ]
