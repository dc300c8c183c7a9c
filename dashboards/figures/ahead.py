"""What lies ahead on the chart of a cabinet, when it may stop and its food is at risk; what charged it."""

from collections.abc import Sequence
from typing import Any

from dashboards.figures import look
from dashboards.language import _
from dashboards.powerwords import SOURCES
from services.domain import Charging, UnitCard
from services.timebase import DAY_MS, HOUR_MS

Figure = dict[str, Any]

LONGEST_MS = 3 * DAY_MS
"""A chart of more than this has no room for hours to come."""
_FURTHEST_MS = 2 * DAY_MS
STOP_ROWS, FOOD_ROWS = (0.24, 0.45), (0.5, 1.0)
"""Heights of the panels of voltage and temperature, which the two fans are drawn in."""


def _stop_fan(card: UnitCard) -> tuple[float, float, float] | None:
    """Return early end, middle and late end of the run-out [ms]."""
    run = card.runout
    if run.hours_p10 is None or run.reason not in {"discharging", "charging"}:
        return None
    stops_ms = run.if_charging_stops_at if run.reason == "charging" else None
    begin_ms = card.as_of if stops_ms is None else stops_ms
    early = begin_ms + run.hours_p10 * HOUR_MS
    late = early if run.hours_p90 is None else begin_ms + run.hours_p90 * HOUR_MS
    middle = early if run.hours_p50 is None else begin_ms + run.hours_p50 * HOUR_MS
    return early, middle, late


def _food_fan(card: UnitCard) -> tuple[float, float, float] | None:
    risk = card.runout.food_at_risk
    if risk is None or risk.from_p10 is None:
        return None
    middle = risk.from_p10 if risk.from_p50 is None else risk.from_p50
    return risk.from_p10, middle, middle if risk.from_p90 is None else risk.from_p90


def ahead_ms(card: UnitCard, span_ms: int) -> int:
    """Return how much of the time to come goes onto a chart that ends now [ms]."""
    ends = [fan[2] for fan in (_stop_fan(card), _food_fan(card)) if fan is not None]
    if not ends or span_ms > LONGEST_MS:
        return 0
    reach_ms = max(ends) - card.as_of + HOUR_MS
    return int(min(reach_ms, max(span_ms, 12 * HOUR_MS), _FURTHEST_MS))


def _fan(
    fan: tuple[float, float, float],
    words: str,
    rows: tuple[float, float],
    *,
    shift: int,
    ink: str,
    end_ms: int,
) -> tuple[list[Figure], list[Figure]]:
    early, middle, late = (at + shift for at in fan)
    frame = {"xref": "x", "yref": "paper", "y0": rows[0], "y1": rows[1], "layer": "below"}
    shapes: list[Figure] = [
        {
            **frame,
            "type": "rect",
            "x0": early,
            "x1": max(late, early + 60_000),
            "fillcolor": look.faint(ink),
            "line": {"width": 0},
        },
        {**frame, "type": "line", "x0": early, "x1": early, "line": {"color": ink, "width": 2}},
        {
            **frame,
            "type": "line",
            "x0": middle,
            "x1": middle,
            "line": {"color": ink, "width": 1, "dash": "dot"},
        },
    ]
    note = {
        "xref": "x",
        "x": early,
        "yref": "paper",
        "y": rows[1],
        "yanchor": "top",
        "xanchor": "right" if early + shift > end_ms - HOUR_MS else "left",
        "text": words,
        "showarrow": False,
        "bgcolor": look.PAPER,
        "font": {"color": ink, "size": 12},
    }
    return shapes, [note]


def fans(card: UnitCard, *, end_ms: int, shift: int) -> tuple[list[Figure], list[Figure]]:
    """Return shapes and notes of the two fans, of what lies before the end of the chart.

    The solid line is the early end, which people plan on; the dotted one the middle.
    """
    shapes: list[Figure] = []
    notes: list[Figure] = []
    told = (
        (_stop_fan(card), _("may stop from here"), STOP_ROWS, look.VOLTAGE),
        (_food_fan(card), _("food at risk from here"), FOOD_ROWS, look.LIMIT),
    )
    for fan, words, rows, ink in told:
        if fan is not None and card.as_of < fan[0] < end_ms:
            more, note = _fan(fan, words, rows, shift=shift, ink=ink, end_ms=end_ms)
            shapes += more
            notes += note
    return shapes, notes


def now_line(as_of_ms: int, shift: int) -> Figure:
    """Return the line between what was measured and what is forecast."""
    line = {"color": look.FADED, "width": 1, "dash": "dot"}
    at = as_of_ms + shift
    return {"type": "line", "xref": "x", "yref": "paper", "x0": at, "x1": at, "y0": 0, "y1": 1, "line": line}


def charge_strip(charging: Sequence[Charging], start_ms: int, end_ms: int, shift: int) -> list[Figure]:
    """Return a bar for each stretch in which something charged the bank, a row for each source."""
    shown = [c for c in charging if c.end > start_ms and c.start < end_ms]
    found = []
    for source in dict.fromkeys(c.source for c in shown):
        x: list[int | None] = []
        y: list[str | None] = []
        for each in (c for c in shown if c.source == source):
            x += [max(each.start, start_ms) + shift, min(each.end, end_ms) + shift, None]
            y += [SOURCES[source], SOURCES[source], None]
        found.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": _("charged by %(source)s", source=SOURCES[source]),
                "x": x,
                "y": y,
                "yaxis": "y4",
                "connectgaps": False,
                "showlegend": False,
                "line": {"color": look.OUTSIDE, "width": 9},
                "hovertemplate": f"{SOURCES[source]}<extra></extra>",
            }
        )
    return found
