"""A chart for whoever reads it: temperatures in their scale, numbers with their decimal mark."""

from collections.abc import Sequence
from typing import Any

from dashboards.language import in_scale, reader, scale, with_mark

_CELSIUS = "°C"
_DIGITS = 2


def read_in(figure: dict[str, Any]) -> dict[str, Any]:
    """Return a chart as its reader takes it; every axis titled °C is one of temperatures."""
    mark = with_mark(".")
    layout = figure["layout"] | ({} if mark == "." else {"separators": f"{mark} "})
    if reader().degrees == "c":
        return figure | {"layout": layout}
    axes = {
        key.replace("axis", "")
        for key, axis in layout.items()
        if key.startswith("yaxis") and axis.get("title", {}).get("text") == _CELSIUS
    }
    for key in axes:
        layout[f"yaxis{key[1:]}"] = _axis(layout[f"yaxis{key[1:]}"])
    for kind in ("shapes", "annotations"):
        layout[kind] = [_placed(each, axes) for each in layout.get(kind, ())]
    return figure | {"data": [_trace(trace, axes) for trace in figure["data"]], "layout": layout}


def _value(value: float | None) -> float | None:
    return None if value is None else round(in_scale(value), _DIGITS)


def _values(values: Sequence[float | None]) -> list[float | None]:
    return [_value(value) for value in values]


def _axis(axis: dict[str, Any]) -> dict[str, Any]:
    told = axis | {"title": axis["title"] | {"text": scale()}}
    return told | {"range": _values(axis["range"])} if "range" in axis else told


def _placed(each: dict[str, Any], axes: set[str]) -> dict[str, Any]:
    """Return a line or a note where it belongs on an axis of temperatures."""
    if each.get("yref", "y") not in axes:
        return each
    return each | {key: _value(each[key]) for key in ("y", "y0", "y1") if key in each}


def _trace(trace: dict[str, Any], axes: set[str]) -> dict[str, Any]:
    if trace.get("yaxis", "y") not in axes:
        return trace
    return trace | {"y": _values(trace["y"])}
