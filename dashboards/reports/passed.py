"""Every stretch beyond a limit, ready to print, with all its readings."""

import math
from collections.abc import Iterator
from itertools import groupby
from typing import Any

import numpy as np

from dashboards import text
from dashboards.reports import words
from dashboards.reports.contents import FloatArray, LogSheet, Passing, Stretch
from dashboards.rulenames import rule_names

LINE = 152
"""Characters that fit into one printed line."""

Plain = dict[str, Any]


def stretch_view(made: LogSheet, number: int, stretch: Stretch) -> Plain:
    """Return one stretch: every limit passed in it, and every reading."""
    first, last = stretch.first_reading, stretch.last_reading
    columns = {n: made.readings.numbers(n)[first:last] for n in ("battery_v", "compressor_on")}
    return {
        "number": number,
        "span": f"{words.both_times(stretch.span.start_ms, made.zone)} to "
        f"{words.both_times(stretch.span.end_ms, made.zone)}",
        "passings": [_passing(made, p) for p in stretch.passings],
        "both": _both_limits(made, stretch),
        "power": _power(columns),
        "cutouts": [
            f"cut out {words.local_time(c.start, made.zone)} to {until(c.end, made)}: {text.CAUSES[c.cause]}"
            for c in stretch.cutouts
        ],
        "count": last - first,
        "corrected": _corrected(made, stretch),
        "readings": list(_printed(made, first, last)),
    }


def until(t_ms: int | None, made: LogSheet) -> str:
    """Return when something ended."""
    return "not ended" if t_ms is None else words.both_times(t_ms, made.zone)


def _passing(made: LogSheet, passing: Passing) -> tuple[str, ...]:
    several = len(made.regimes) > 1
    return (
        words.passing_words(passing) + (f" [{passing.regime + 1}]" if several else ""),
        words.local_time(passing.span.start_ms, made.zone),
        words.local_time(passing.span.end_ms, made.zone),
        words.minutes(passing.span.minutes),
        text.number(passing.peak_c, 2),
        text.number(passing.mean_c, 2),
    )


def _both_limits(made: LogSheet, stretch: Stretch) -> list[str]:
    """Return when the description changed while a limit was passed: the event keeps both."""
    return [
        f"At {words.both_times(regime.span.start_ms, made.zone)} the description changed: "
        f"{_held_to(made, index - 1)} until then, {_held_to(made, index)} from then on. Minutes are counted "
        "over the whole of each day by each of them."
        for index, regime in enumerate(made.regimes)
        if index and stretch.span.start_ms < regime.span.start_ms < stretch.span.end_ms
    ]


def _held_to(made: LogSheet, index: int) -> str:
    rows = made.regimes[index].limits
    limits = ", ".join(f"{words.limit_words(r.limit_c, below=r.below)} ({rule_names(r.rule)})" for r in rows)
    return f"counted {limits} [{index + 1}]"


def _power(columns: dict[str, FloatArray]) -> str:
    found = []
    battery, runs = (values[np.isfinite(values)] for values in columns.values())
    found.append(
        f"battery {text.volts(float(battery.min()))} to {text.volts(float(battery.max()))}"
        if battery.size
        else "battery not measured"
    )
    found.append(
        f"compressor running in {100 * float(runs.mean()):.0f} % of the readings"
        if runs.size
        else "compressor not measured"
    )
    return ", ".join(found)


def _printed(made: LogSheet, first: int, last: int) -> Iterator[tuple[str, str]]:
    """Pass on every reading of a stretch, day by day, as lines of even columns.

    Plain text, because a table of thousands of cells takes minutes to lay out.
    """
    times = made.readings.t_ms[first:last].tolist()
    names = ("cabinet_c", "product_c", "compressor_on")
    cabinet, product, runs = (made.readings.numbers(n)[first:last].tolist() for n in names)
    cells = [
        (f"{moment:%Y-%m-%d}", f"{moment:%H:%M:%S} {_reading(made, c, p, r)}")
        for moment, c, p, r in zip(
            (text.local(t, made.zone) for t in times), cabinet, product, runs, strict=True
        )
    ]
    width = max((len(cell) for _, cell in cells), default=1) + 2
    per_line = max(1, LINE // width)
    for day, group in groupby(cells, key=lambda cell: cell[0]):
        row = [cell.ljust(width) for _, cell in group]
        lines = ("".join(row[i : i + per_line]).rstrip() for i in range(0, len(row), per_line))
        yield day, "\n".join(lines)


def _reading(made: LogSheet, cabinet: float, product: float, runs: float) -> str:
    shown = "no reading" if math.isnan(cabinet) else text.number(cabinet, made.digits["cabinet_c"])
    if not math.isnan(product):
        shown += f" p{text.number(product, made.digits['product_c'])}"
    return shown + ("*" if runs == 1.0 else "")


def _corrected(made: LogSheet, stretch: Stretch) -> str:
    """Return what was added before counting, so that nobody wonders at readings under the limit."""
    added = {
        f"{words.exact(a.offset_k)} K added to the {a.channel} sensor before counting"
        for a in made.applied
        if a.offset_k > 0 and a.span.start_ms < stretch.span.end_ms and a.span.end_ms > stretch.span.start_ms
    }
    return "".join(f"; {said}" for said in sorted(added))
