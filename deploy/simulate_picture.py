"""Draws one simulated unit's day: what its sensors showed, what was really so, and what happened."""

import json
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from dashboards.figures import look
from firmware_sim.faults import Told
from firmware_sim.history import Block, Simulator, read_by
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.moments import offset_h
from firmware_sim.stops import Stop
from firmware_sim.truth import Truth
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

Figure = dict[str, Any]

PLOTLY = Path(look.__file__).resolve().parents[1] / "static" / "vendor" / "plotly-basic.min.js"

_STOP_WORDS = {
    "low_voltage": "stopped for want of voltage",
    "no_supply": "no supply",
    "brown_out": "electronics out at low voltage",
    "does_not_turn": "compressor does not turn",
}

_TEMPLATE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>
<style>body{{margin:0;background:{paper};color:{ink};font-family:system-ui,sans-serif}}#chart{{height:82vh}}
h1{{font-size:1.1rem;margin:.8rem 1rem 0}}ul{{margin:.4rem 1rem 1rem;padding-left:1.2rem}}</style>
<script>{library}</script></head><body><h1>{title}</h1><div id="chart" role="img" aria-label="{title}"></div>
<ul>{events}</ul><script>const figure = {figure};
Plotly.newPlot("chart", figure.data, figure.layout, {{displaylogo: false, responsive: true}});</script>
</body></html>
"""


def draw_day(scenario: Scenario, unit: str, file: Path, *, start_ms: int, end_ms: int) -> None:
    """Simulate from `start_ms` and draw the last day before `end_ms` into one self-contained file."""
    simulator = Simulator(scenario, anchor_ms=end_ms, start_ms=start_ms)
    truth = Truth(scenario, start_ms=simulator.reached_ms)
    from_ms = max(start_ms, end_ms - DAY_MS)
    blocks = []
    for block in simulator.blocks(end_ms):
        truth.take(block)
        if block.t_ms[-1] > from_ms:
            blocks.append(block)
    index = scenario.unit_ids.index(unit)
    site = scenario.units[index][0].site
    zone = ZoneInfo(next(one.timezone for one, _ in scenario.sites if one.id == site))
    shift_ms = round(offset_h(zone, end_ms) * HOUR_MS)
    stops = [s for s in truth.stops.of(index) if s.end_ms is None or s.end_ms > from_ms]
    bank = scenario.units[index][0].supply.bank
    faults = [
        told
        for told in simulator.faults.told()
        if told.target in {unit, bank}
        and told.begins_ms < end_ms
        and (told.ends_ms is None or told.ends_ms > from_ms)
    ]
    figure = day_figure(scenario, index, blocks, stops, shift_ms=shift_ms, from_ms=from_ms)
    title = f"{scenario.name}: {unit}, one day (time at the site)"
    page = _TEMPLATE.format(
        title=escape(title),
        paper=look.PAPER,
        ink=look.INK,
        library=PLOTLY.read_text(encoding="utf-8"),
        events="".join(f"<li>{escape(words)}</li>" for words in _events(stops, faults, shift_ms)),
        figure=json.dumps(figure).replace("</", "<\\/"),
    )
    file.write_text(page, encoding="utf-8")


def _clock(t_ms: float, shift_ms: int) -> str:
    return str(np.datetime64(round(t_ms) + shift_ms, "ms").astype("M8[m]")).replace("T", " ")


def _events(stops: Sequence[Stop], faults: Sequence[Told], shift_ms: int) -> list[str]:
    """Return what happened, in words and in order."""
    found = [
        (
            stop.start_ms,
            f"{_clock(stop.start_ms, shift_ms)}: {_STOP_WORDS[stop.kind]} ({stop.cause}: {stop.why})",
        )
        for stop in stops
    ]
    found += [
        (told.begins_ms, f"{_clock(told.begins_ms, shift_ms)}: begins: {told.words} ({told.label})")
        for told in faults
    ]
    return [words for _, words in sorted(found)] or ["Nothing out of the ordinary."]


def _line(
    name: str, t_ms: IntArray, values: FloatArray, *, ink: str, axis: str = "y", **more: object
) -> Figure:
    """Return a trace of at most a point a minute; what is not known stays a hole."""
    shown = [None if not np.isfinite(value) else round(float(value), 3) for value in values]
    line = {"color": ink, "width": 1.6, **more}
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": t_ms.tolist(),
        "y": shown,
        "yaxis": axis,
        "line": line,
        "connectgaps": False,
    }


def day_figure(
    scenario: Scenario,
    index: int,
    blocks: Sequence[Block],
    stops: Sequence[Stop],
    *,
    shift_ms: int,
    from_ms: int,
) -> Figure:
    """Return the chart of one unit as a plain figure."""
    unit, _ = scenario.units[index]
    t_ms: IntArray = np.concatenate([block.t_ms for block in blocks])
    kept = (t_ms > from_ms) & (t_ms % 60_000 == 0)
    at_ms = t_ms[kept] + shift_ms

    def true(name: str) -> FloatArray:
        values: FloatArray = np.concatenate([np.asarray(b.true[name][:, index], float) for b in blocks])[kept]
        return values

    def sensor(column: str) -> FloatArray:
        values: FloatArray = np.concatenate([read_by(b, column)[:, index] for b in blocks])[kept]
        return values

    data = [
        _line("cabinet, sensor", at_ms, sensor("cabinet_c"), ink=look.TEMPERATURE),
        _line("air, true", at_ms, true("air_c"), ink=look.FADED, dash="dot", width=1),
        _line("food core, true", at_ms, true("food_c"), ink=look.PRODUCT),
        _line("outside, true", at_ms, true("outside_c"), ink=look.OUTSIDE, dash="dash", width=1),
        _line("V at the unit, sensor", at_ms, sensor("battery_v"), ink=look.VOLTAGE, axis="y2"),
        _line("V at the bank, true", at_ms, true("bank_v"), ink=look.FADED, axis="y2", dash="dot", width=1),
        _line("A, true", at_ms, true("unit_a"), ink=look.VOLTAGE, axis="y3", shape="hv"),
        _line("compressor", at_ms, true("on"), ink=look.COMPRESSOR, axis="y4", shape="hv"),
        _line("lid", at_ms, 0.6 * true("lid_open"), ink=look.OUTSIDE, axis="y4", shape="hv"),
    ]
    if np.isfinite(true("fresh_c")).any():
        data.append(_line("food just put in, true", at_ms, true("fresh_c"), ink=look.LIMIT))
    data.append(_marks(stops, shift_ms, from_ms))
    return {"data": data, "layout": _layout(unit.aim_c, int(at_ms[0]), int(at_ms[-1]))}


def _marks(stops: Sequence[Stop], shift_ms: int, from_ms: int) -> Figure:
    inside = [stop for stop in stops if stop.start_ms >= from_ms and np.isfinite(stop.unit_v)]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": "stop",
        "x": [stop.start_ms + shift_ms for stop in inside],
        "y": [stop.unit_v for stop in inside],
        "yaxis": "y2",
        "text": [f"{_STOP_WORDS[stop.kind]}: {stop.why}" for stop in inside],
        "hovertemplate": "%{text}<extra></extra>",
        "marker": {"symbol": "x", "size": 11, "color": look.LIMIT},
    }


def _layout(set_point_c: float, first_ms: int, last_ms: int) -> Figure:
    def axis(title: str, low: float, high: float, **more: object) -> Figure:
        return {
            "title": {"text": title},
            "domain": [low, high],
            "gridcolor": look.RULE,
            "zeroline": False,
            **more,
        }

    aim = {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": "y",
        "y0": set_point_c,
        "y1": set_point_c,
    }
    return {
        "paper_bgcolor": look.PAPER,
        "plot_bgcolor": look.PAPER,
        "font": look.FONT,
        "hovermode": "x unified",
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        "xaxis": {"type": "date", "range": [first_ms, last_ms], "anchor": "y4", "gridcolor": look.RULE},
        "yaxis": axis("°C", 0.52, 1.0),
        "yaxis2": axis("V", 0.3, 0.48),
        "yaxis3": axis("A", 0.14, 0.26),
        "yaxis4": axis("", 0.0, 0.1, range=[0, 1.1], tickvals=[0, 1], ticktext=["off", "on"]),
        "shapes": [{**aim, "line": {"color": look.FADED, "width": 1, "dash": "dot"}}],
    }
