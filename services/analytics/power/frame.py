"""The channels the power analyses work from, side by side, with runs of the compressor."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from services.analytics.power.voltage import Doubt, believed, doubts_of
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import SECOND_MS

BoolArray = npt.NDArray[np.bool_]

LEAST_RUNNING_A, MOST_RUNNING_A = 0.3, 60.0
"""A machine that runs draws no less and no more: else its current is of another scale, or its sensor dead or
turned about, and what the file says it draws is used (judgement). [A]"""

INTERVALS_PER_GAP = 3
"""Samples further apart than this many intervals are not joined by the power analyses."""


@dataclass(frozen=True)
class Frame:
    """The samples of one unit whose compressor state is known, in strict order of time."""

    t_ms: IntArray
    on: BoolArray
    volts_12: FloatArray
    """At the unit's terminals, halved at 24 V so that every table speaks of 12 V. [V]"""
    bank_12: FloatArray
    """At the bank's own terminals, where a unit measures there too. [V at 12 V]"""
    cabinet_c: FloatArray
    above_set_k: FloatArray
    """Cabinet less the set point in force. [K]"""
    current_a: FloatArray
    """What the unit draws; NaN where not measured. [A]"""
    ambient_c: FloatArray
    over_temperature: BoolArray
    """Where the unit itself reported an over-temperature stop."""
    fed: FloatArray
    """1 where the unit says that engine, sun, mains or generator feed it, 0 for battery, else NaN."""
    broken: BoolArray
    """(n-1,) Where the next sample comes later than the gap limit."""
    gap_ms: int
    volt_scale: float
    """1 at 12 V, 2 at 24 V."""
    doubts: tuple[Doubt, ...]
    """Where the voltage was read, and not believed."""

    def __len__(self) -> int:
        """Return how many samples there are."""
        return int(self.t_ms.size)

    @property
    def voltage_doubt(self) -> str | None:
        """Why the newest voltages are not believed; None where they are, or none was read."""
        now = [doubt for doubt in self.doubts if doubt.last == len(self) - 1]
        return now[0].words(self.volt_scale) if now else None

    @cached_property
    def spacing_ms(self) -> int:
        """The usual step between samples [ms]."""
        return round(float(np.median(np.diff(self.t_ms)))) if len(self) > 1 else 0

    @cached_property
    def held_ms(self) -> IntArray:
        """How long each sample's state held: until the next sample, nothing across a gap [ms]."""
        held = np.zeros(self.t_ms.shape, dtype=np.int64)
        if held.size > 1:
            held[:-1] = np.where(self.broken, 0, np.diff(self.t_ms))
        return held


@dataclass(frozen=True)
class Runs:
    """Unbroken stretches of one compressor state; run i covers samples ``first[i]`` to ``last[i]``."""

    first: IntArray
    last: IntArray
    on: BoolArray
    joined: BoolArray
    """Whether the next run follows without a gap."""
    start_ms: IntArray
    end_ms: IntArray
    """The first sample of the next run where it is joined, else the run's own last sample."""


def gap_limit_ms(series: Series, settings: UnitSettings, max_gap_s: float | None) -> int:
    """Return the longest step between samples that is still joined [ms].

    The limit asked for, else three intervals of the file, else three median spacings of the log.
    """
    if max_gap_s is not None:
        return round(max_gap_s * SECOND_MS)
    if settings.interval_s is not None:
        return INTERVALS_PER_GAP * settings.interval_s * SECOND_MS
    if len(series) < 2:  # noqa: PLR2004 - a spacing takes two samples
        return INTERVALS_PER_GAP * 60 * SECOND_MS
    return round(INTERVALS_PER_GAP * float(np.median(np.diff(series.t_ms))))


def held_forward(values: FloatArray, start: float) -> FloatArray:
    """Return values with each NaN replaced by the last number before it, by `start` at the front."""
    known = np.isfinite(values)
    if not bool(np.any(known)):
        return np.full(values.shape, start)
    place = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    return np.asarray(np.where(place >= 0, values[place], start), dtype=np.float64)


def frame_of(series: Series, settings: UnitSettings, max_gap_s: float | None) -> Frame:
    """Return the samples with a known compressor state, scaled and measured against the set point.

    Parameters
    ----------
    series : Series
        Times strictly increasing.
    settings : UnitSettings
        Gives the set point where the unit does not report one, and the nominal voltage.
    max_gap_s : float or None
        Gap limit asked for; None for three intervals. [s]
    """
    state = series.numbers("compressor_on")
    known = np.isfinite(state)
    scale = settings.nominal_v / 12.0
    t_ms = series.t_ms[known]
    cabinet = series.numbers("cabinet_c")[known]
    set_point = held_forward(series.numbers("set_point_c")[known], settings.set_point_c)
    gap_ms = gap_limit_ms(series, settings, max_gap_s)
    if series.has("fault"):
        tripped = np.asarray(series.texts("fault")[known] == "over_temperature", dtype=np.bool_)
    else:
        tripped = np.zeros(t_ms.shape, dtype=np.bool_)
    on = state[known] > 0.5  # noqa: PLR2004 - between 0 and 1
    read_12 = series.numbers("battery_v")[known] / scale
    doubts = doubts_of(t_ms, read_12, on)
    return Frame(
        fed=_fed(series, known),
        t_ms=t_ms,
        on=on,
        volts_12=believed(read_12, doubts),
        bank_12=believed(series.numbers("bank_v")[known] / scale, ()),
        cabinet_c=cabinet,
        above_set_k=cabinet - set_point,
        current_a=_believed_a(series.numbers("current_a")[known], on),
        ambient_c=series.numbers("ambient_c")[known],
        over_temperature=tripped,
        broken=np.diff(t_ms) > gap_ms,
        gap_ms=gap_ms,
        volt_scale=scale,
        doubts=doubts,
    )


def _believed_a(amps: FloatArray, on: BoolArray) -> FloatArray:
    """Return currents without those below nothing; none at all where they are of no running machine."""
    running = amps[on & np.isfinite(amps)]
    if running.size and not LEAST_RUNNING_A <= float(np.median(running)) <= MOST_RUNNING_A:
        return np.full(amps.shape, np.nan)
    return np.where((amps >= 0.0) & (amps <= MOST_RUNNING_A), amps, np.nan)


def _fed(series: Series, known: BoolArray) -> FloatArray:
    """Return 1.0 where the supply channel names a source, 0.0 where it says battery, NaN before any word."""
    if not series.has("supply"):
        return np.full(int(np.sum(known)), np.nan)
    words = series.texts("supply")[known]
    said = np.array([np.nan if word is None else float(word != "battery") for word in words])
    return held_forward(said, np.nan)


def runs_of(frame: Frame) -> Runs:
    """Return the runs of a frame; none when it is empty."""
    if len(frame) == 0:
        nothing = np.empty(0, dtype=np.int64)
        return Runs(nothing, nothing, nothing.astype(bool), nothing.astype(bool), nothing, nothing)
    turned = (frame.on[1:] != frame.on[:-1]) | frame.broken
    first = np.concatenate([[0], np.flatnonzero(turned) + 1]).astype(np.int64)
    last = np.concatenate([first[1:] - 1, [len(frame) - 1]]).astype(np.int64)
    joined = np.zeros(first.shape, dtype=np.bool_)
    joined[:-1] = ~frame.broken[last[:-1]]
    end_ms = frame.t_ms[np.where(joined, np.minimum(last + 1, len(frame) - 1), last)]
    return Runs(first, last, frame.on[first], joined, frame.t_ms[first], end_ms)
