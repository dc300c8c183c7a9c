"""The plainest way to find low-voltage stops and to count charge: one row after another.

Slow on purpose and free of the project's arrays; the vectorised code must agree with it.
"""

import itertools
import math
import statistics

from services.analytics.power.cutouts import ABOVE_CUTOUT_V, DEAD_V, RETRY_MS

HOUR_MS = 3_600_000


def _runs(t_ms, on, gap_ms):
    """Return [first, last, state, joined to the next] of each run."""
    runs = []
    for i in range(len(t_ms)):
        fresh = i == 0 or on[i] != on[i - 1] or t_ms[i] - t_ms[i - 1] > gap_ms
        if fresh:
            if runs:
                runs[-1][3] = t_ms[i] - t_ms[i - 1] <= gap_ms
            runs.append([i, i, on[i], False])
        else:
            runs[-1][1] = i
    return runs


def _is_low_stop(run, off, rows, band, cutout_v_12):
    _, _, volts, above = rows
    last = run[1]
    v_on = volts[last]
    if math.isnan(v_on) and last > 0 and rows[1][last - 1]:
        v_on = volts[last - 1]
    after = [v for v in volts[off[0] : min(off[0] + 1, off[1]) + 1] if not math.isnan(v)]
    v_off = max(after) if after else math.nan
    levels = [a for a in (above[last], above[off[0]]) if not math.isnan(a)]
    coldest = min(levels) if levels else math.nan
    peaks = [a for a in above[off[0] : off[1] + 1] if not math.isnan(a)]
    locked = bool(peaks) and max(peaks) > band.locked_above_k
    low = DEAD_V < v_on <= cutout_v_12 + ABOVE_CUTOUT_V and not v_off < v_on - 0.05
    proven = coldest > band.warm_above_k or locked
    early = coldest > band.stopped_above_k
    return low and (proven or early), proven, early


def low_voltage_stops(t_ms, on, volts, above, *, band, cutout_v_12, gap_ms):
    """Return (start, end or None, attempts, time run in attempts) of every low-voltage stop, in ms."""
    rows = (t_ms, on, volts, above)
    runs = _runs(t_ms, on, gap_ms)
    spacing_ms = round(statistics.median(b - a for a, b in itertools.pairwise(t_ms)))
    events = []
    expected_next = None
    for number, run in enumerate(runs[:-1]):
        if not run[2] or not run[3]:
            continue
        off = runs[number + 1]
        low, proven, early = _is_low_stop(run, off, rows, band, cutout_v_12)
        if not low:
            continue
        lasted = t_ms[off[0]] - t_ms[run[0]]
        later = next((r for r in range(number + 1, len(runs)) if runs[r][2]), None)
        end = None if later is None else t_ms[runs[later][0]]
        if events and expected_next == number and lasted <= max(RETRY_MS, spacing_ms):
            last = events[-1]
            last[1], last[2], last[3], last[4] = end, last[2] + 1, last[3] + lasted, last[4] or proven
        else:
            start = off[0]
            if not early:
                start = next((i for i in range(off[0], off[1] + 1) if above[i] > band.start_k), off[0])
            events.append([t_ms[start], end, 0, 0, proven])
        expected_next = later
    return [tuple(event[:4]) for event in events if event[4]]


def drawn_ah(t_ms, amps, gap_ms):
    """Return the charge drawn from the first row to the last."""
    held = sum(b - a for a, b in itertools.pairwise(t_ms) if b - a <= gap_ms)
    seen = sum(amp * (b - a) for amp, a, b in zip(amps, t_ms, t_ms[1:], strict=False) if b - a <= gap_ms)
    mean = seen / held if held else sum(amps) / len(amps)
    total = 0.0
    for amp, a, b in zip(amps, t_ms, t_ms[1:], strict=False):
        total += (amp if b - a <= gap_ms else mean) * (b - a) / HOUR_MS
    return total
