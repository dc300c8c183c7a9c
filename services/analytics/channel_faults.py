"""Channels that a sensor got wrong: standing still, leaping, trembling, or wandering off."""

import numpy as np
import numpy.typing as npt

from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS

BoolArray = npt.NDArray[np.bool_]

STUCK_READINGS = 6
STUCK_MS = 60 * MINUTE_MS
"""Shortest unchanged stretch that can be called stuck (judgement, no source)."""
STUCK_BREAK_MS = 120 * MINUTE_MS
"""Across a longer silence an unchanged reading proves nothing (judgement, no source)."""
STUCK_CYCLING_MS = 120 * MINUTE_MS
STUCK_COMPRESSOR_CHANGES = 8
"""Air must move while a compressor runs and rests four times (judgement, no source)."""
STUCK_IDLE_MS = 6 * 60 * MINUTE_MS
STUCK_AMBIENT_K = 3.0
"""Where nothing cools, air warms towards its surroundings, if these are not as cold themselves; air that has
not moved at all in this long is a unit that repeats itself (judgement, no source)."""
STUCK_EVAPORATOR_K = 3.0
STUCK_PRODUCT_K = 1.0
"""Food only moves towards the air around it; away from an unmoved reading means the reading is wrong."""
STUCK_PROBE_APART_K = 3.0
"""Food of the slowest lag (600 min) beside air 3 K away moves 0.29 K in an hour."""
THAW_C = (-3.0, 0.5)
"""Food held here may be thawing: a steady probe proves nothing."""

JUMP_K = 8.0
JUMP_MS = 120 * SECOND_MS
"""There and back by this much between neighbours this close is no movement of air (judgement, no source)."""

STUCK_RESTLESS_MS = 120 * MINUTE_MS
STUCK_RESTLESS_RATIO = 8.0
STUCK_RESTLESS_READINGS = 300
"""A channel that moved at 300 readings of the day before, and never stood still for an eighth of this long,
does not come to rest to the last digit for two hours (judgement, no source). Cold plates that melt below
-3 °C may look like it: then the alarm is false on the careful side."""

STUCK_ALONE_MS = 12 * HOUR_MS
STUCK_ALONE_READINGS = 40
STUCK_ALONE_DIGIT_K = 0.2
STUCK_ALONE_RANGE_K = 1.0
"""Air seen to a fifth of a degree, that has moved by a degree at other times, does not stand still to the
last digit for half a day, whatever is beside it (judgement, no source)."""

TREMBLE_K = 0.5
TREMBLE_DIGITS = 2.5
TREMBLE_SHARE = 0.4
TREMBLE_READINGS = 20
"""A bad contact: in an hour of at least 20 readings no more than 2 min apart, more than four in ten lie off
the line through their neighbours by half this much, and by more than the least digit does (judgement, no
source; sound sensors of the simulator: one in a thousand)."""

DRIFT_DAYS = 7
DRIFT_DAY_READINGS = 12
DRIFT_K = 0.35
DRIFT_FLOOR_K = 0.5
DRIFT_TAU = 0.85
DRIFT_STEP_SHARE = 0.5
"""Seven days that go one way (Kendall's tau), without a day that makes half of it, by this much: a person
turns a set point in one step, food settles fast and then slowly; a sensor wanders (judgement, no source)."""
DRIFT_CHANGES = 6
"""On fewer turns of the compressor a day the thermostat did not hold the air (judgement, no source)."""
DRIFT_FLOOR_PERCENT = 10.0


def _unchanged(t_ms: IntArray, values: FloatArray, *, break_ms: float) -> list[tuple[int, int]]:
    """Return ``[start, stop)`` row ranges of long stretches in which a channel never moved."""
    rows = np.flatnonzero(np.isfinite(values))
    if rows.size < STUCK_READINGS:
        return []
    moved = (np.diff(values[rows]) != 0) | (np.diff(t_ms[rows]) > break_ms)
    firsts = np.concatenate(([0], np.flatnonzero(moved) + 1))
    lasts = np.append(firsts[1:], rows.size) - 1
    long = (lasts - firsts + 1 >= STUCK_READINGS) & (t_ms[rows[lasts]] - t_ms[rows[firsts]] >= STUCK_MS)
    return [(int(rows[a]), int(rows[b]) + 1) for a, b in zip(firsts[long], lasts[long], strict=True)]


def air_evidence(series: Series, usable: dict[str, FloatArray], break_ms: float) -> list[tuple[int, int]]:
    """Return stretches of unmoved cabinet air that compressor, evaporator or product contradict."""
    t_ms, cabinet = series.t_ms, usable["cabinet_c"]
    compressor = series.numbers("compressor_on")
    found = []
    unchanged = _unchanged(t_ms, cabinet, break_ms=break_ms)
    alive = bool(unchanged) and _is_alive(cabinet)
    for start, stop in unchanged:
        cycling = t_ms[stop - 1] - t_ms[start] >= STUCK_CYCLING_MS
        states = compressor[start:stop]
        states = states[np.isfinite(states)]
        changes = int(np.count_nonzero(np.diff(states)))
        if (
            (cycling and changes >= STUCK_COMPRESSOR_CHANGES)
            or (alive and _alone(t_ms, cabinet, start, stop))
            or unlike_itself(t_ms, cabinet, start, stop)
            or _never_warmed(series, usable.get("ambient_c"), float(cabinet[start]), start, stop)
            or (cycling and _range_k(usable.get("evaporator_c"), start, stop) >= STUCK_EVAPORATOR_K)
            or _moved_away_k(usable.get("product_c"), float(cabinet[start]), start, stop) >= STUCK_PRODUCT_K
        ):
            found.append((start, stop))
    return found


def _never_warmed(series: Series, ambient_c: FloatArray | None, held_c: float, start: int, stop: int) -> bool:
    """Return whether air stood unmoved for hours while the compressor rested all along."""
    states = series.numbers("compressor_on")[start:stop]
    known = np.isfinite(states)
    if not known.any() or THAW_C[0] <= held_c <= THAW_C[1]:
        return False
    if ambient_c is not None:
        near = np.abs(ambient_c[start:stop] - held_c) < STUCK_AMBIENT_K
        if near.any():
            return False
    times, ran = series.t_ms[start:stop][known], states[known] > 0.5  # noqa: PLR2004 - between 0 and 1
    rests = np.diff(np.concatenate((times[:1], times[ran], times[-1:])))
    return bool(rests.max() >= STUCK_IDLE_MS)


def probe_evidence(series: Series, usable: dict[str, FloatArray], break_ms: float) -> list[tuple[int, int]]:
    """Return stretches of an unmoved probe beside air that must have moved it."""
    product, cabinet = usable["product_c"], usable.get("cabinet_c")
    found = []
    for start, stop in _unchanged(series.t_ms, product, break_ms=break_ms):
        held = float(product[start])
        if cabinet is None or THAW_C[0] <= held <= THAW_C[1]:
            continue
        air = cabinet[start:stop]
        air = air[np.isfinite(air)]
        if air.size >= STUCK_READINGS and abs(float(np.mean(air)) - held) >= STUCK_PROBE_APART_K:
            found.append((start, stop))
    return found


def _range_k(values: FloatArray | None, start: int, stop: int) -> float:
    if values is None:
        return 0.0
    part = values[start:stop]
    part = part[np.isfinite(part)]
    return float(np.ptp(part)) if part.size else 0.0


def _moved_away_k(values: FloatArray | None, held_c: float, start: int, stop: int) -> float:
    if values is None:
        return 0.0
    apart = np.abs(values[start:stop] - held_c)
    apart = apart[np.isfinite(apart)]
    return float(np.max(apart - np.minimum.accumulate(apart))) if apart.size else 0.0


def jumps(t_ms: IntArray, values: FloatArray) -> BoolArray:
    """Return which readings leap away from both neighbours and back."""
    found = np.zeros(values.shape, dtype=bool)
    if values.size > 2:  # noqa: PLR2004 - a reading and its two neighbours
        near = np.diff(t_ms) <= JUMP_MS
        there, back = values[1:-1] - values[:-2], values[1:-1] - values[2:]
        found[1:-1] = (
            near[:-1] & near[1:] & (np.minimum(np.abs(there), np.abs(back)) >= JUMP_K) & (there * back > 0)
        )
    return found


def _is_alive(values: FloatArray) -> bool:
    """Return whether a channel has fine digits and has been seen to move by a degree."""
    known = values[np.isfinite(values)]
    steps = np.abs(np.diff(known))
    digit = float(np.min(steps[steps > 0], initial=np.inf))
    return digit <= STUCK_ALONE_DIGIT_K and float(np.ptp(known)) >= STUCK_ALONE_RANGE_K


def _alone(t_ms: IntArray, values: FloatArray, start: int, stop: int) -> bool:
    """Return whether a channel stood still for half a day, with nothing beside it to tell."""
    if THAW_C[0] <= float(values[start]) <= THAW_C[1] or t_ms[stop - 1] - t_ms[start] < STUCK_ALONE_MS:
        return False
    return int(np.count_nonzero(np.isfinite(values[start:stop]))) >= STUCK_ALONE_READINGS


def unlike_itself(t_ms: IntArray, values: FloatArray, start: int, stop: int) -> bool:
    """Return whether a channel stands still for hours that moved all the time in the day before."""
    held_ms = int(t_ms[stop - 1] - t_ms[start])
    if held_ms < STUCK_RESTLESS_MS or THAW_C[0] <= float(values[start]) <= THAW_C[1]:
        return False
    first = int(np.searchsorted(t_ms, t_ms[start] - DAY_MS))
    rows = first + np.flatnonzero(np.isfinite(values[first:start]))
    if rows.size < STUCK_RESTLESS_READINGS:
        return False
    moved = t_ms[rows[1:]][np.diff(values[rows]) != 0]
    if moved.size < STUCK_RESTLESS_READINGS:
        return False
    still_ms = int(np.max(np.diff(np.concatenate((t_ms[rows[:1]], moved, t_ms[start : start + 1])))))
    return held_ms >= STUCK_RESTLESS_RATIO * still_ms


def trembles(t_ms: IntArray, values: FloatArray) -> BoolArray:
    """Return which readings lie in an hour in which the channel trembled."""
    found = np.zeros(values.shape, dtype=bool)
    rows = np.flatnonzero(np.isfinite(values))
    if rows.size < TREMBLE_READINGS:
        return found
    times, known = t_ms[rows], values[rows]
    steps = np.abs(np.diff(known))
    digit = float(np.min(steps[steps > 0], initial=np.inf))
    near = np.diff(times) <= JUMP_MS
    off = np.abs(np.diff(known, 2))
    judged = near[:-1] & near[1:]
    marked = judged & (off >= max(TREMBLE_K, TREMBLE_DIGITS * digit))
    if not marked.any():
        return found
    hour = times[1:-1] // HOUR_MS
    firsts = np.flatnonzero(np.concatenate(([True], np.diff(hour) != 0)))
    counts = np.add.reduceat(judged.astype(np.int64), firsts)
    shares = np.add.reduceat(marked.astype(np.int64), firsts) / np.maximum(counts, 1)
    bad = (counts >= TREMBLE_READINGS) & (shares >= TREMBLE_SHARE)
    found[rows[1:-1]] = np.repeat(bad, np.diff(np.append(firsts, hour.size)))
    return found


def drifts(series: Series, usable: dict[str, FloatArray]) -> list[tuple[str, int, int]]:
    """Return (column, first, last) of stretches in which a sensor wandered off.

    The product probe is the witness where there is one: food and the air around it cannot part slowly
    for a week. Which of the two wandered nobody can tell from here: the cabinet's is named, because it
    hangs freer. Without a probe the cabinet's own floor is watched on days on which the thermostat
    held the air; a thermostat that goes by the wandering sensor itself hides it, and nothing is found.
    """
    cabinet = usable.get("cabinet_c")
    if cabinet is None:
        return []
    days = _days(series.t_ms)
    product = usable.get("product_c")
    if product is not None and bool(np.isfinite(product).any()):
        both = _by_day(days, product - cabinet, 50.0)
        return [("cabinet_c", a, b) for a, b in _wanders(*both, least_k=DRIFT_K)]
    day, floor = _by_day(days, cabinet, DRIFT_FLOOR_PERCENT)
    held = _turns(days, series.numbers("compressor_on"))[np.searchsorted(days[0], day)] >= DRIFT_CHANGES
    return [("cabinet_c", a, b) for a, b in _wanders(day[held], floor[held], least_k=DRIFT_FLOOR_K)]


def _days(t_ms: IntArray) -> tuple[IntArray, IntArray]:
    """Return the UTC days of a series and where each of them begins, with the end behind."""
    day = t_ms // DAY_MS
    firsts = np.flatnonzero(np.concatenate(([True], np.diff(day) != 0))) if day.size else day
    return day[firsts], np.append(firsts, day.size)


def _by_day(
    days: tuple[IntArray, IntArray], values: FloatArray, percent: float
) -> tuple[IntArray, FloatArray]:
    """Return one percentile of every day that was seen for at least half as much as the fullest."""
    found = []
    known = np.concatenate(([0], np.cumsum(np.isfinite(values))))
    fullest = int(np.max(np.diff(known[days[1]]), initial=0))
    for day, first, end in zip(days[0].tolist(), days[1][:-1].tolist(), days[1][1:].tolist(), strict=True):
        part = values[first:end]
        part = part[np.isfinite(part)]
        if part.size >= max(DRIFT_DAY_READINGS, fullest / 2):
            at = min(part.size - 1, int(part.size * percent / 100.0))
            found.append((day, float(np.partition(part, at)[at])))
    return (
        np.array([day for day, _ in found], dtype=np.int64),
        np.array([value for _, value in found], dtype=np.float64),
    )


def _turns(days: tuple[IntArray, IntArray], states: FloatArray) -> IntArray:
    """Return how often the compressor turned on or off on each day."""
    counts = [
        int(np.count_nonzero(np.diff(part[np.isfinite(part)])))
        for part in (states[a:b] for a, b in zip(days[1][:-1], days[1][1:], strict=True))
    ]
    return np.array(counts, dtype=np.int64)


def _wanders(day: IntArray, level_k: FloatArray, *, least_k: float) -> list[tuple[int, int]]:
    """Return the first and last instant of every run of weeks in which a daily level went one way."""
    found: list[tuple[int, int]] = []
    for first in range(day.size - DRIFT_DAYS + 1):
        last = first + DRIFT_DAYS - 1
        if day[last] - day[first] != DRIFT_DAYS - 1:
            continue
        if not _goes_one_way(level_k[first : last + 1], least_k):
            continue
        begin, end = int(day[first]) * DAY_MS, (int(day[last]) + 1) * DAY_MS
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found


def _goes_one_way(level_k: FloatArray, least_k: float) -> bool:
    steps = np.diff(level_k)
    total = float(level_k[-1] - level_k[0])
    if abs(total) < least_k or float(np.max(np.abs(steps))) > DRIFT_STEP_SHARE * abs(total):
        return False
    later = np.triu(np.sign(level_k[None, :] - level_k[:, None]), 1)
    pairs = level_k.size * (level_k.size - 1) / 2
    return bool(abs(float(later.sum())) / pairs >= DRIFT_TAU)
