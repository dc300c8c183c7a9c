"""The plainest way to find low-voltage stops and to count charge: one row after another.

Slow on purpose and free of the project's arrays; the vectorised code must agree with it.
"""

import itertools
import math
import statistics

from services.analytics.power.cutouts import RETRY_MS
from services.analytics.power.signs import (
    DEAD_V,
    FLAT_REST_V,
    PREDICTED_V,
    TIGHT_V,
    UNSEEN_MS,
    UNSEEN_RATIO,
)
from services.analytics.power.threshold import ABOVE_CUTOUT_V
from services.analytics.power.turned import LATE_MS

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


def _known(values):
    return [value for value in values if not math.isnan(value)]


def _middle(volts, first, last):
    """Return the lower median of the voltage at seven places between two rows, both included."""
    places = [first + round((last - first) * k / 6) for k in range(7)]
    found = sorted(_known(volts[place] for place in places))
    return found[(len(found) - 1) // 2] if found else math.nan


def _late_row(above, off, line):
    """Return the first row of an off run from which two rows in a row lie above a line."""
    for i in range(off[0], off[1]):
        if above[i] > line and above[i + 1] > line:
            return i
    return None


def _stop(number, runs, rows, band):
    """Return what is known of the stop at the end of a run."""
    t_ms, on, volts, above = rows
    run, off = runs[number], runs[number + 1]
    last = run[1]
    v_on = volts[last]
    if math.isnan(v_on) and last > 0 and on[last - 1]:
        v_on = volts[last - 1]
    after = _known(volts[off[0] : min(off[0] + 1, off[1]) + 1])
    levels = _known((above[last], above[off[0]]))
    coldest = min(levels) if levels else math.nan
    peaks = _known(above[off[0] : off[1] + 1])
    late = _late_row(above, off, band.started_above_k)
    ends = t_ms[off[1] + 1] if off[3] else t_ms[off[1]]
    return {
        "number": number,
        "v_on": v_on,
        "v_off": max(after) if after else math.nan,
        "early": coldest > band.stopped_above_k,
        "warm": coldest > band.warm_above_k,
        "locked": bool(peaks) and max(peaks) > band.locked_above_k,
        "late": late,
        "late_ms": 0 if late is None else t_ms[off[1]] - t_ms[late],
        "late_v": _middle(volts, off[0] if late is None else late, off[1]),
        "off_ms": ends - t_ms[off[0]],
        "at_ms": t_ms[last],
    }


def _sag(stops, place):
    """Return the largest fall of voltage under load in the last five stops, two days back at most."""
    here = stops[place]
    falls = []
    for stop in stops[max(0, place - 4) : place + 1]:
        usable = stop["v_off"] > 0.5 * stop["v_on"] and here["at_ms"] - stop["at_ms"] <= 48 * HOUR_MS
        if usable:
            falls.append(max(stop["v_off"] - stop["v_on"], 0.0))
    return max(falls) if falls else 0.0


def _judged(stops, place, *, limit, late_from_ms, usual_ms):
    """Return whether a stop is taken for one of low voltage, and whether that is sure."""
    stop = stops[place]
    near = DEAD_V < stop["v_on"] <= limit + ABOVE_CUTOUT_V
    tight = DEAD_V < stop["v_on"] <= limit + TIGHT_V
    hopeless = stop["late_v"] > DEAD_V and (
        stop["late_v"] - _sag(stops, place) <= limit + PREDICTED_V or stop["late_v"] <= FLAT_REST_V
    )
    held = stop["late_ms"] >= late_from_ms and (near or hopeless)
    unseen = hopeless and stop["late_ms"] == 0 and stop["off_ms"] >= max(UNSEEN_MS, UNSEEN_RATIO * usual_ms)
    suspect = near and (stop["early"] or stop["warm"] or stop["locked"])
    rebounds = not stop["v_off"] < stop["v_on"] - 0.05
    low = (suspect or held or unseen) and (rebounds or held)
    sure = stop["warm"] or stop["locked"] or (stop["early"] and tight) or held or unseen
    return low, sure


def _began(stop, rows, off, *, band, usual_ms):
    """Return when cooling came to be missing."""
    t_ms, _, _, above = rows
    if stop["early"]:
        return t_ms[off[0]]
    if stop["late"] is not None:
        row = stop["late"]
        while row > off[0] and above[row - 1] > band.start_k:
            row -= 1
        return t_ms[row]
    row = next((i for i in range(len(t_ms)) if t_ms[i] >= t_ms[off[0]] + usual_ms), len(t_ms))
    return t_ms[min(row, off[1])]


def low_voltage_stops(t_ms, on, volts, above, *, band, cutout_v_12, gap_ms):
    """Return (start, end or None, attempts, time run in attempts) of every low-voltage stop, in ms."""
    rows = (t_ms, on, volts, above)
    runs = _runs(t_ms, on, gap_ms)
    spacing_ms = round(statistics.median(b - a for a, b in itertools.pairwise(t_ms)))
    ended = [number for number, run in enumerate(runs[:-1]) if run[2] and run[3]]
    stops = [_stop(number, runs, rows, band) for number in ended]
    usual_ms = statistics.median(stop["off_ms"] for stop in stops) if stops else 0
    events = []
    expected_next = None
    for place, stop in enumerate(stops):
        low, sure = _judged(
            stops, place, limit=cutout_v_12, late_from_ms=max(LATE_MS, 2 * spacing_ms), usual_ms=usual_ms
        )
        if not low:
            continue
        number = stop["number"]
        off = runs[number + 1]
        lasted = t_ms[off[0]] - t_ms[runs[number][0]]
        later = next((r for r in range(number + 1, len(runs)) if runs[r][2]), None)
        end = None if later is None else t_ms[runs[later][0]]
        if events and expected_next == number and lasted <= max(RETRY_MS, spacing_ms):
            last = events[-1]
            last[1], last[2], last[3], last[4] = end, last[2] + 1, last[3] + lasted, last[4] or sure
        else:
            start = _began(stop, rows, off, band=band, usual_ms=int(usual_ms))
            events.append([start, end, 0, 0, sure])
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
