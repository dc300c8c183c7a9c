"""Stops of a compressor that wanted to run: what each looks like, told apart from ordinary ones.

At one sample a minute a low-voltage cut-out is a run that ends while the cabinet is still warm, at a
voltage near the cut-out, that rebounds, and after which the compressor stays still although the cabinet
climbs past where the thermostat would start it.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.power.charging import stretches_of
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.thermostat import Band
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

Kind = Literal["low_voltage", "interrupted", "silence", "unit", "still"]
"""``still``: the samples begin with a compressor that already stands still too long."""

BELOW_CUTOUT_V = 0.3
"""One reading may fall during the delay before a cut-out acts."""
ABOVE_CUTOUT_V = 0.5
"""One reading may miss the dip by current times resistance."""
HIGHEST_CUTOUT_V = 11.95
LOWEST_CUTOUT_V = 9.4
"""Cut-outs of 12 V compressor electronics lie at 9.6 to 11.9 V (common practice, no source)."""
RETRY_MS = 5 * MINUTE_MS
"""A run up to this long that ends in the same way is an attempt, not cooling."""
DEAD_V = 3.0
STUCK_MS = 90 * MINUTE_MS
"""A warm stop at normal voltage counts as the unit's own fault only after this; trips reset before."""
STUCK_K = 2.0
LEAST_WARMING_K = 1.0
DELAY_MS = 5 * MINUTE_MS
"""Running longer than this below a supposed cut-out disproves it."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """The cut-out voltage in force, at 12 V nominal, and where it comes from."""

    volts_12: float
    origin: Literal["unit", "file", "observed", "default"]
    differs_from_file: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """One stop, before anything is said about its cause; sample numbers into the frame."""

    kind: Kind
    on_at: int
    """Last sample before the stop."""
    off_at: int | None
    """First sample after it; None when nothing was heard since."""
    end_at: int | None
    """First sample of cooling resumed; None when it has not."""
    start_ms: int
    end_ms: int | None
    attempts: int
    attempt_ms: int
    """Time the compressor ran in attempts before cooling resumed."""
    locked: bool
    """Whether the cabinet climbed past where the thermostat would have started it."""


@dataclass(frozen=True)
class _Stops:
    """One row per run that ended without a gap."""

    run: IntArray
    on_at: IntArray
    v_on: FloatArray
    v_off: FloatArray
    warm: BoolArray
    """Clearly before the thermostat was satisfied."""
    early: BoolArray
    """At least a little before it."""
    locked: BoolArray
    off_ms: IntArray
    tripped: BoolArray


def threshold_of(
    frame: Frame, runs: Runs, band: Band, settings: UnitSettings, reported_v: float | None
) -> Threshold:
    """Return the cut-out voltage: as the unit reports it, as the file says, as observed, else a default.

    What is observed wins over the file when two or more cut-outs agree on another value, or the unit ran
    on below the file's.
    """
    if reported_v is not None:
        return Threshold(reported_v / frame.volt_scale, "unit")
    observed = _observed_v(frame, _stops(frame, runs, band))
    file_v = None if settings.cutout_v is None else settings.cutout_v / frame.volt_scale
    if file_v is None:
        if observed is not None:
            return Threshold(observed[0], "observed")
        return Threshold(settings.default_cutout_v / frame.volt_scale, "default")
    if observed is None:
        return Threshold(file_v, "file")
    volts, count = observed
    apart = volts < file_v - BELOW_CUTOUT_V or volts > file_v + ABOVE_CUTOUT_V
    if apart and (count > 1 or _ran_below(frame, file_v)):
        return Threshold(volts, "observed", differs_from_file=True)
    return Threshold(file_v, "file")


def _ran_below(frame: Frame, volts: float) -> bool:
    """Return whether the compressor ran on below a voltage for longer than any delay."""
    below = frame.on & (frame.volts_12 < volts - 0.15)
    return int(np.sum(frame.held_ms[below])) > DELAY_MS


def _observed_v(frame: Frame, stops: _Stops) -> tuple[float, int] | None:
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


def _stops(frame: Frame, runs: Runs, band: Band) -> _Stops:
    """Return every run that ended in a seen stop, with what followed it."""
    ended = np.flatnonzero(runs.on[:-1] & runs.joined[:-1]) if runs.on.size else np.empty(0, np.int64)
    on_at = runs.last[ended]
    off_run = ended + 1
    if on_at.size:
        level = np.where(np.isfinite(frame.above_set_k), frame.above_set_k, -np.inf)
        peaks = np.maximum.reduceat(level, runs.first)
    else:
        peaks = np.empty(0)
    coldest = (
        np.fmin(frame.above_set_k[on_at], frame.above_set_k[runs.first[off_run]]) if on_at.size else peaks
    )
    return _Stops(
        run=ended,
        on_at=on_at,
        v_on=_last_volts(frame, on_at),
        v_off=_first_off_volts(frame, runs, off_run),
        warm=np.asarray(coldest > band.warm_above_k, dtype=np.bool_),
        early=np.asarray(coldest > band.stopped_above_k, dtype=np.bool_),
        locked=np.asarray(peaks[off_run] > band.locked_above_k, dtype=np.bool_)
        if on_at.size
        else peaks.astype(bool),
        off_ms=runs.end_ms[off_run] - runs.start_ms[off_run],
        tripped=frame.over_temperature[on_at] | frame.over_temperature[runs.first[off_run]]
        if on_at.size
        else peaks.astype(bool),
    )


def _first_off_volts(frame: Frame, runs: Runs, off_run: IntArray) -> FloatArray:
    """Return the higher of the first two voltages after a stop: the first may still be the loaded one."""
    first = runs.first[off_run]
    second = np.minimum(first + 1, runs.last[off_run])
    return np.asarray(np.fmax(frame.volts_12[first], frame.volts_12[second]), dtype=np.float64)


def _last_volts(frame: Frame, at: IntArray) -> FloatArray:
    """Return the voltage at samples, or at the one before where it is missing and of the same state."""
    volts = frame.volts_12[at]
    before = np.clip(at - 1, 0, None)
    usable = ~np.isfinite(volts) & (frame.on[before] if len(frame) else np.zeros(0, bool))
    return np.asarray(np.where(usable, frame.volts_12[before], volts), dtype=np.float64)


def events_of(
    frame: Frame, runs: Runs, band: Band, threshold: Threshold, *, as_of_ms: int, has_battery: bool
) -> tuple[Event, ...]:
    """Return every stop of a compressor that wanted to run, in order of time.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.
    band : Band
        The thermostat's.
    threshold : Threshold
        The cut-out voltage.
    as_of_ms : int
        Now; silence since the last sample is judged against it. [ms]
    has_battery : bool
        Without one no stop is a low-voltage stop.
    """
    if len(frame) == 0:
        return ()
    stops = _stops(frame, runs, band)
    events = _interrupted(frame, runs)
    if has_battery:
        events += _low_voltage(frame, runs, stops, band, threshold)
    events += _stuck(frame, runs, stops, band, threshold)
    events += _still_from_the_start(frame, runs, band)
    events += _silences(frame, runs, band, threshold, as_of_ms=as_of_ms, has_battery=has_battery)
    return _without_overlap(events)


def is_low(stops_v_on: FloatArray, threshold: Threshold) -> BoolArray:
    """Return which voltages under load lie where a cut-out acts, or below, as attempts do."""
    return np.asarray(
        (stops_v_on > DEAD_V) & (stops_v_on <= threshold.volts_12 + ABOVE_CUTOUT_V), dtype=np.bool_
    )


def _past_start(frame: Frame, runs: Runs, band: Band, off_run: int) -> int:
    """Return the first sample of an off run at which the thermostat would have started the compressor."""
    first, last = int(runs.first[off_run]), int(runs.last[off_run])
    past = np.flatnonzero(frame.above_set_k[first : last + 1] > band.start_k)
    return first + int(past[0]) if past.size else first


def _low_voltage(frame: Frame, runs: Runs, stops: _Stops, band: Band, threshold: Threshold) -> list[Event]:
    """Return the low-voltage stops, attempts merged into the event they belong to.

    A stop a little early counts when what follows proves it: an attempt that ends warm, or a lock-out. A stop
    by the thermostat after which the compressor could not start again counts from the moment the thermostat
    would have started it.
    """
    rebounds = ~(stops.v_off < stops.v_on - 0.05)
    suspect = stops.early | stops.warm | stops.locked
    low = is_low(stops.v_on, threshold) & suspect & rebounds & ~stops.tripped
    run = stops.run[low]
    if run.size == 0:
        return []
    following = _next_on(runs, run)
    lasted = runs.end_ms[run] - runs.start_ms[run]
    attempt = np.zeros(run.shape, dtype=np.bool_)
    attempt[1:] = (run[1:] == following[:-1]) & (lasted[1:] <= max(RETRY_MS, frame.spacing_ms))
    heads = np.flatnonzero(~attempt)
    tails = np.concatenate([heads[1:] - 1, [run.size - 1]])
    ran = np.concatenate([[0], np.cumsum(np.where(attempt, lasted, 0))])
    proven = np.logical_or.reduceat((stops.warm | stops.locked)[low], heads)
    locked = np.logical_or.reduceat(stops.locked[low], heads)
    return [
        _event(
            frame,
            runs,
            "low_voltage",
            on_at=int(runs.last[run[head]]),
            resumed=int(following[tail]),
            attempts=int(tail - head),
            attempt_ms=int(ran[tail + 1] - ran[head + 1]),
            locked=bool(locked[group]),
            start_at=None if stops.early[low][head] else _past_start(frame, runs, band, int(run[head]) + 1),
        )
        for group, (head, tail) in enumerate(zip(heads, tails, strict=True))
        if proven[group]
    ]


def _next_on(runs: Runs, run: IntArray) -> IntArray:
    """Return the next run with the compressor on after each run; the number of runs when there is none."""
    on_runs = np.flatnonzero(runs.on)
    place = np.searchsorted(on_runs, run, side="right")
    return np.asarray(np.append(on_runs, runs.on.size)[place], dtype=np.int64)


def _event(
    frame: Frame,
    runs: Runs,
    kind: Kind,
    *,
    on_at: int,
    resumed: int,
    attempts: int = 0,
    attempt_ms: int = 0,
    locked: bool = True,
    start_at: int | None = None,
) -> Event:
    """Return an event that starts after a sample and ends with a run (or not, past the last one)."""
    end_at = int(runs.first[resumed]) if resumed < runs.first.size else None
    off_at = on_at + 1 if on_at + 1 < len(frame) else None
    start_at = (on_at if off_at is None else off_at) if start_at is None else start_at
    return Event(
        kind=kind,
        on_at=on_at,
        off_at=off_at,
        end_at=end_at,
        start_ms=int(frame.t_ms[start_at]),
        end_ms=None if end_at is None else int(frame.t_ms[end_at]),
        attempts=attempts,
        attempt_ms=attempt_ms,
        locked=locked,
    )


def _interrupted(frame: Frame, runs: Runs) -> list[Event]:
    """Return the stretches in which the unit's terminals had no voltage at all."""
    dead = stretches_of(frame.volts_12 < DEAD_V)
    first = dead.first[dead.charging]
    last = dead.last[dead.charging]
    run_of = np.searchsorted(runs.first, last, side="right") - 1
    following = _next_on(runs, run_of)
    return [
        _event(frame, runs, "interrupted", on_at=max(0, int(at) - 1), resumed=int(resumed))
        for at, resumed in zip(first, following, strict=True)
    ]


def _stuck(frame: Frame, runs: Runs, stops: _Stops, band: Band, threshold: Threshold) -> list[Event]:
    """Return the stops at normal voltage after which the unit stayed still long past its thermostat."""
    normal = ~(stops.v_on <= threshold.volts_12 + ABOVE_CUTOUT_V) & ~(stops.v_off < DEAD_V)
    long = stops.off_ms >= STUCK_MS
    found: list[Event] = []
    for row in np.flatnonzero(normal & stops.locked & long & ~stops.tripped):
        off_run = int(stops.run[row]) + 1
        inside = frame.above_set_k[runs.first[off_run] : runs.last[off_run] + 1]
        if float(np.nanmax(inside)) > band.start_k + band.margin_k + STUCK_K:
            following = int(_next_on(runs, stops.run[row : row + 1])[0])
            start_at = None if stops.early[row] else _past_start(frame, runs, band, off_run)
            on_at = int(stops.on_at[row])
            found.append(_event(frame, runs, "unit", on_at=on_at, resumed=following, start_at=start_at))
    return found


def _still_from_the_start(frame: Frame, runs: Runs, band: Band) -> list[Event]:
    """Return the stop that these samples begin in the middle of, if they do."""
    if runs.on[0] or runs.end_ms[0] - runs.start_ms[0] < STUCK_MS:
        return []
    inside = frame.above_set_k[runs.first[0] : runs.last[0] + 1]
    if not bool(np.any(inside > band.locked_above_k)):
        return []
    following = int(_next_on(runs, np.array([0]))[0])
    return [
        _event(frame, runs, "still", on_at=0, resumed=following, start_at=_past_start(frame, runs, band, 0))
    ]


def _silences(
    frame: Frame, runs: Runs, band: Band, threshold: Threshold, *, as_of_ms: int, has_battery: bool
) -> list[Event]:
    """Return the gaps behind which cooling had stopped, and the silence since the last sample.

    A gap alone is not a cut-out. It counts when the cabinet came back warmer than the thermostat allows, or
    at the end of the samples, when the last voltage under load was near the cut-out.
    """
    level = frame.above_set_k
    before = np.flatnonzero(frame.broken)
    warmed = (level[before + 1] > band.locked_above_k) & (level[before + 1] > level[before] + LEAST_WARMING_K)
    found = []
    for at in before[warmed]:
        run = int(np.searchsorted(runs.first, at, side="right")) - 1
        following = int(_next_on(runs, np.array([run]))[0])
        end_at = int(runs.first[following]) if following < runs.first.size else None
        end_ms = None if end_at is None else int(frame.t_ms[end_at])
        found.append(Event("silence", int(at), None, end_at, int(frame.t_ms[at]), end_ms, 0, 0, locked=True))
    newest = len(frame) - 1
    silent = as_of_ms - int(frame.t_ms[newest]) > frame.gap_ms
    low = bool(is_low(frame.volts_12[newest:], threshold)[0])
    if silent and has_battery and frame.on[newest] and low:
        found.append(
            Event("silence", newest, None, None, int(frame.t_ms[newest]), None, 0, 0, locked=False),
        )
    return found


def _without_overlap(events: list[Event]) -> tuple[Event, ...]:
    """Return events in order of time without those that begin inside an earlier one."""
    kept: list[Event] = []
    for event in sorted(events, key=lambda e: (e.start_ms, e.kind != "interrupted")):
        inside = bool(kept) and (kept[-1].end_ms is None or event.start_ms < kept[-1].end_ms)
        if not inside:
            kept.append(event)
    return tuple(kept)


def cut_out_now(events: tuple[Event, ...]) -> Event | None:
    """Return the event that still stands, if any."""
    return events[-1] if events and events[-1].end_ms is None else None


def stopped_share_mask(frame: Frame, events: tuple[Event, ...]) -> BoolArray:
    """Return which samples lie in no event, so that a lock-out does not pass for little need of cooling."""
    change = np.zeros(len(frame) + 1, dtype=np.int64)
    for event in events:
        change[event.on_at + 1 if event.off_at is None else event.off_at] += 1
        if event.end_at is not None:
            change[event.end_at] -= 1
    return np.asarray(np.cumsum(change)[:-1] <= 0, dtype=np.bool_)
