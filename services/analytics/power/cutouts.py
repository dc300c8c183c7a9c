"""Stops of a compressor that wanted to run: what each looks like, told apart from ordinary ones.

At one sample a minute a low-voltage cut-out is a run that ends while the cabinet is still warm, at a
voltage near the cut-out, that rebounds, and after which the compressor stays still although the cabinet
climbs past where the thermostat would start it.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from services.analytics.power.charging import stretches_of
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.signs import DEAD_V, is_low, late_from_ms, signs_of
from services.analytics.power.stops import Stops, stops_of
from services.analytics.power.thermostat import Band, moved_k
from services.analytics.power.threshold import ABOVE_CUTOUT_V, Threshold, threshold_of
from services.telemetry import IntArray
from services.timebase import MINUTE_MS

__all__ = [
    "ABOVE_CUTOUT_V",
    "DEAD_V",
    "Event",
    "Threshold",
    "cut_out_now",
    "events_of",
    "is_low",
    "stopped_share_mask",
    "threshold_of",
]

Kind = Literal["low_voltage", "interrupted", "silence", "unit", "still"]
"""``still``: the samples begin with a compressor that already stands still too long."""

RETRY_MS = 5 * MINUTE_MS
"""A run up to this long that ends in the same way is an attempt, not cooling."""
STUCK_MS = 90 * MINUTE_MS
"""A warm stop at normal voltage counts as the unit's own fault only after this; trips reset before."""
TRIPPED_RUN_MS = 15 * MINUTE_MS
"""A run up to this long between two stands brings no cold (judgement)."""
LEAST_WARMING_K = 1.0
HUSHED_MS = 90 * MINUTE_MS
"""Packs of an hour come late: a shorter silence stops no unit, however low its battery (judgement)."""


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
    unseen: bool = False
    """The starts that failed were too short to be sampled."""


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
    shift = moved_k(frame, runs, band)
    if bool(np.any(shift > 0.0)):
        frame = replace(frame, above_set_k=frame.above_set_k - shift)
    stops = stops_of(frame, runs, band)
    events = _interrupted(frame, runs)
    if has_battery:
        events += _low_voltage(frame, runs, stops, band, threshold)
    events += _stuck(frame, runs, stops, band, threshold)
    events += _still_from_the_start(frame, runs, band)
    events += _silences(frame, runs, band, threshold, as_of_ms=as_of_ms, has_battery=has_battery)
    return _without_overlap(events)


def _low_voltage(frame: Frame, runs: Runs, stops: Stops, band: Band, threshold: Threshold) -> list[Event]:
    """Return the low-voltage stops, attempts merged into the event they belong to.

    A stop a little early counts when what follows proves it: an attempt that ends warm, a start that comes
    late, or a voltage too near the cut-out for chance. A stop by the thermostat after which the compressor
    could not start again counts from the moment the thermostat would have started it.
    """
    signs = signs_of(frame, stops, threshold)
    rebounds = ~(stops.v_off < stops.v_on - 0.05)
    suspect = (signs.near & (stops.early | stops.warm | stops.locked)) | signs.held | signs.unseen
    low = suspect & (rebounds | signs.held) & ~stops.tripped
    run = stops.run[low]
    if run.size == 0:
        return []
    sure = (stops.warm | stops.locked | (stops.early & signs.tight) | signs.held | signs.unseen)[low]
    following = _next_on(runs, run)
    lasted = runs.end_ms[run] - runs.start_ms[run]
    attempt = np.zeros(run.shape, dtype=np.bool_)
    attempt[1:] = (run[1:] == following[:-1]) & (lasted[1:] <= max(RETRY_MS, frame.spacing_ms))
    heads = np.flatnonzero(~attempt)
    tails = np.concatenate([heads[1:] - 1, [run.size - 1]])
    ran = np.concatenate([[0], np.cumsum(np.where(attempt, lasted, 0))])
    proven = np.logical_or.reduceat(sure, heads)
    locked = np.logical_or.reduceat((stops.locked | (stops.late_ms >= late_from_ms(frame)))[low], heads)
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
            start_at=_start_at(frame, runs, stops, band, int(np.flatnonzero(low)[head])),
            unseen=bool(signs.unseen[low][head] or (signs.held & ~signs.near)[low][head]),
        )
        for group, (head, tail) in enumerate(zip(heads, tails, strict=True))
        if proven[group]
    ]


def _start_at(frame: Frame, runs: Runs, stops: Stops, band: Band, row: int) -> int | None:
    """Return the sample from which cooling was missing; None: from the stop itself."""
    if stops.early[row]:
        return None
    off_run = int(stops.run[row]) + 1
    first = int(runs.first[off_run])
    if stops.late_at[row] >= 0:
        late = int(stops.late_at[row])
        below = np.flatnonzero(~(frame.above_set_k[first:late] > band.start_k))
        return first + int(below[-1]) + 1 if below.size else first
    at = int(np.searchsorted(frame.t_ms, runs.start_ms[off_run] + int(np.median(stops.off_ms))))
    return min(at, int(runs.last[off_run]))


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
    unseen: bool = False,
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
        unseen=unseen,
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


def _stuck(frame: Frame, runs: Runs, stops: Stops, band: Band, threshold: Threshold) -> list[Event]:
    """Return the stands at normal voltage far past the thermostat, broken by short runs or by none.

    One that trips lets go within the hour; what stands longer, or trips again after every short run, has
    stopped cooling.
    """
    signs = signs_of(frame, stops, threshold)
    stands = ~signs.near & ~signs.held & ~(stops.v_off < DEAD_V) & ~stops.tripped
    rows = np.flatnonzero(stands & (stops.late_ms >= late_from_ms(frame)))
    if rows.size == 0:
        return []
    run = stops.run[rows]
    following = _next_on(runs, run)
    lasted = runs.end_ms[run] - runs.start_ms[run]
    again = np.zeros(run.shape, dtype=np.bool_)
    again[1:] = (run[1:] == following[:-1]) & (lasted[1:] <= max(TRIPPED_RUN_MS, frame.spacing_ms))
    heads = np.flatnonzero(~again)
    tails = np.concatenate([heads[1:] - 1, [run.size - 1]])
    stood = np.add.reduceat(stops.late_ms[rows], heads)
    ran = np.concatenate([[0], np.cumsum(np.where(again, lasted, 0))])
    found: list[Event] = []
    for head, tail, stood_ms in zip(heads, tails, stood, strict=True):
        if stood_ms < STUCK_MS:
            continue
        row = rows[head]
        event = _event(
            frame,
            runs,
            "unit",
            on_at=int(stops.on_at[row]),
            resumed=int(following[tail]),
            attempts=int(tail - head),
            attempt_ms=int(ran[tail + 1] - ran[head + 1]),
            start_at=_start_at(frame, runs, stops, band, int(row)),
        )
        found.append(event)
    return found


def _past_start(frame: Frame, runs: Runs, band: Band, off_run: int) -> int:
    """Return the first sample of an off run at which the thermostat would have started the compressor."""
    first, last = int(runs.first[off_run]), int(runs.last[off_run])
    past = np.flatnonzero(frame.above_set_k[first : last + 1] > band.start_k)
    return first + int(past[0]) if past.size else first


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
    at the end of the samples, when the last voltage under load was near the cut-out and it lasts.
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
    silent = as_of_ms - int(frame.t_ms[newest]) > max(frame.gap_ms, HUSHED_MS)
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
