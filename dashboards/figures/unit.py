"""The chart of one cabinet as a plain dict: temperatures, voltage, compressor, one time axis.

The dict is what the charting library takes; building it through that library's own classes costs
four hundred times as long and says nothing more.
"""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from dashboards import runwords, text
from dashboards.figures import look
from dashboards.figures.ahead import FOOD_ROWS, STOP_ROWS, charge_strip, fans, now_line
from dashboards.language import _
from services.api.schemas import ChannelBins, Samples
from services.domain import Charging, Cutout, UnitCard
from services.timebase import HOUR_MS, MINUTE_MS, SECOND_MS, datetime_of

Figure = dict[str, Any]

_TEMPERATURES = (
    ("cabinet_c", look.TEMPERATURE, "solid"),
    ("product_c", look.PRODUCT, "dash"),
    ("ambient_c", look.OUTSIDE, "dot"),
)
_DIGITS = 2
"""Finer than any sensor, coarse enough to travel light."""
SHOWN = ("cabinet_c", "product_c", "ambient_c", "battery_v", "compressor_on")


def offset_ms(t_ms: int, zone: tzinfo) -> int:
    """Return how far a zone's clock stands ahead of UTC at an instant. [ms]."""
    offset = datetime_of(t_ms).astimezone(zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds()) * SECOND_MS


def points_for(start_ms: int, end_ms: int, interval_s: int, most: int) -> int:
    """Return how many bins to ask for: none so narrow that an ordinary reading misses it."""
    return max(1, min(most, (end_ms - start_ms) // (2 * interval_s * SECOND_MS)))


def _middle(bins: ChannelBins, digits: int) -> list[float | None]:
    return [
        None if low is None or high is None else round((low + high) / 2, digits)
        for low, high in zip(bins.min, bins.max, strict=True)
    ]


def _line(name: str, x: list[int], y: list[float | None], *, ink: str, dash: str, axis: str) -> Figure:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": x,
        "y": y,
        "yaxis": axis,
        "connectgaps": False,
        "line": {"color": ink, "width": 1.8, "dash": dash},
    }


def _band(
    name: str, x: list[int], bins: ChannelBins, *, width_ms: int, ink: str, axis: str, digits: int
) -> Figure:
    """Return lowest to highest as closed shapes, one per unbroken stretch, so that no gap is bridged."""
    across: list[int | None] = []
    up: list[float | None] = []
    for first, last in _stretches(bins.count):
        stretch = range(first, last)
        across += [x[i] for i in stretch] + [x[last - 1] + width_ms] * 2 + [x[i] for i in reversed(stretch)]
        high, low = ([round(v[i] or 0.0, digits) for i in stretch] for v in (bins.max, bins.min))
        up += [*high, high[-1], low[-1], *reversed(low)]
        across.append(None)
        up.append(None)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": _("%(name)s, lowest to highest", name=name),
        "x": across,
        "y": up,
        "yaxis": axis,
        "fill": "toself",
        "fillcolor": look.faint(ink),
        "line": {"width": 0, "shape": "linear"},
        "hoverinfo": "skip",
        "showlegend": False,
    }


def _stretches(count: Sequence[int]) -> list[tuple[int, int]]:
    """Return the half-open runs of bins that hold readings."""
    found: list[tuple[int, int]] = []
    start: int | None = None
    for index, held in enumerate((*count, 0)):
        if held and start is None:
            start = index
        elif not held and start is not None:
            found.append((start, index))
            start = None
    return found


def channel(samples: Samples, column: str, shift: int, *, ink: str, dash: str, axis: str) -> list[Figure]:
    """Return a channel as a band from lowest to highest with a line in its middle; nothing where not read."""
    bins = samples.channels.get(column)
    if bins is None or not any(bins.count):
        return []
    width_ms = round(samples.bin_s * SECOND_MS)
    x = [t + shift for t in bins.t_ms]
    centre = [t + width_ms // 2 for t in x]
    name = text.CHANNELS[column]
    traces = [_line(name, centre, _middle(bins, _DIGITS), ink=ink, dash=dash, axis=axis)]
    if any(low != high for low, high in zip(bins.min, bins.max, strict=True)):
        traces.insert(0, _band(name, x, bins, width_ms=width_ms, ink=ink, axis=axis, digits=_DIGITS))
    return traces


def _food(bins: ChannelBins | None, samples: Samples, shift: int) -> list[Figure]:
    """Return the modelled food: from coldest to warmest as a band, the warmest as a line."""
    if bins is None or not any(bins.count):
        return []
    width_ms = round(samples.bin_s * SECOND_MS)
    x = [t + shift for t in bins.t_ms]
    warmest = [None if high is None else round(high, _DIGITS) for high in bins.max]
    name, centre = _("Food, modelled: the warmest"), [t + width_ms // 2 for t in x]
    return [
        _band(_("Food, modelled"), x, bins, width_ms=width_ms, ink=look.FOOD, axis="y", digits=_DIGITS),
        _line(name, centre, warmest, ink=look.FOOD, dash="longdash", axis="y"),
    ]


def _compressor(samples: Samples, shift: int) -> list[Figure]:
    bins = samples.channels.get("compressor_on")
    if bins is None or not any(bins.count):
        return []
    line = _line(
        _("Compressor"),
        [t + shift for t in bins.t_ms],
        _middle(bins, 1),
        ink=look.COMPRESSOR,
        dash="solid",
        axis="y3",
    )
    line["line"] = {"color": look.COMPRESSOR, "width": 1, "shape": "hv"}
    return [
        {
            **line,
            "fill": "tozeroy",
            "fillcolor": look.faint(look.COMPRESSOR),
            "hovertemplate": "%{customdata}<extra></extra>",
            "customdata": [_strip_words(low, high) for low, high in zip(bins.min, bins.max, strict=True)],
        }
    ]


def _strip_words(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return _("not known")
    if low == high:
        return _("running") if high else _("not running")
    return _("partly running")


def _cutouts(cutouts: Sequence[Cutout], start_ms: int, end_ms: int, shift: int, zone: tzinfo) -> list[Figure]:
    shown = [c for c in cutouts if start_ms <= c.start < end_ms and c.voltage_v is not None]
    if not shown:
        return []
    words = [runwords.cutout_words(cutout, zone=zone, now_ms=end_ms) for cutout in shown]
    return [
        {
            "type": "scatter",
            "mode": "markers",
            "name": "Cut-out",
            "x": [cutout.start + shift for cutout in shown],
            "y": [cutout.voltage_v for cutout in shown],
            "yaxis": "y2",
            "text": words,
            "hovertemplate": "%{text}<extra></extra>",
            "marker": {
                "symbol": "x",
                "size": 11,
                "color": look.LIMIT,
                "line": {"color": look.INK, "width": 1},
            },
        }
    ]


def level(value: float, words: str, *, ink: str, dash: str, side: str) -> tuple[Figure, Figure]:
    """Return a line across at a value, and its words at one end."""
    line = {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": "y",
        "y0": value,
        "y1": value,
        "line": {"color": ink, "width": 1.5, "dash": dash},
    }
    note = {
        "xref": "paper",
        "x": 0 if side == "left" else 1,
        "xanchor": side,
        "yref": "y",
        "y": value,
        "yanchor": "bottom",
        "text": words,
        "showarrow": False,
        "bgcolor": look.PAPER,
        "font": {"color": ink, "size": 12},
    }
    return line, note


def drawn_axis(title: str, domain: tuple[float, float], **more: Any) -> Figure:  # noqa: ANN401 - the library's own settings
    """Return an axis that takes a part of the chart's height or width."""
    return {
        "title": {"text": title, "font": {"size": 12}},
        "domain": list(domain),
        "gridcolor": look.RULE,
        "zeroline": False,
        "linecolor": look.FADED,
        **more,
    }


def _layout(card: UnitCard, *, start_ms: int, end_ms: int, zone: tzinfo, has_volts: bool) -> Figure:
    shift = offset_ms(end_ms, zone)
    # at opposite ends: on a phone the two lines may lie closer than the words are high
    limit = level(
        card.limit_c,
        _("limit %(limit)s", limit=text.degrees(card.limit_c)),
        ink=look.LIMIT,
        dash="dash",
        side="right",
    )
    aim = level(
        card.set_point_c,
        _("set point %(temperature)s", temperature=text.degrees(card.set_point_c)),
        ink=look.FADED,
        dash="dot",
        side="left",
    )
    return {
        **look.FRAME,
        "margin": {"l": 56, "r": 12, "t": 40, "b": 56},
        "hovermode": "x unified",
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        "xaxis": drawn_axis(
            _("time at the site, %(offset)s", offset=text.offset_name(end_ms, zone)),
            (0, 1),
            type="date",
            range=[start_ms + shift, end_ms + shift],
            anchor="y3",
            tickangle=0,
        ),
        "yaxis": drawn_axis("°C", FOOD_ROWS if has_volts else (0.2, 1), fixedrange=True),
        "yaxis2": drawn_axis("V", STOP_ROWS, fixedrange=True, visible=has_volts),
        "yaxis3": drawn_axis(
            _("runs"),
            (0, 0.09),
            range=[0, 1.05],
            fixedrange=True,
            tickvals=[0, 1],
            ticktext=["no", "yes"],
        ),
        "yaxis4": drawn_axis("", (0.12, 0.2), fixedrange=True, type="category", visible=False),
        "shapes": [limit[0], aim[0]],
        "annotations": [limit[1], aim[1]],
    }


def unit_figure(
    samples: Samples,
    card: UnitCard,
    cutouts: Sequence[Cutout],
    *,
    start_ms: int,
    end_ms: int,
    zone: tzinfo,
    food: ChannelBins | None = None,
    charging: Sequence[Charging] = (),
) -> Figure:
    """Return the chart of a cabinet over ``[start_ms, end_ms)``, in the site's time.

    One offset from UTC holds for the whole chart, that of its end: a chart that repeats an hour when
    clocks go back would show readings out of order. `food` is the modelled food, coldest to warmest;
    where the chart reaches beyond the card's own moment, the forecast is drawn.
    """
    shift = offset_ms(end_ms, zone)
    data: list[Figure] = _food(food, samples, shift)
    for column, ink, dash in _TEMPERATURES:
        data += channel(samples, column, shift, ink=ink, dash=dash, axis="y")
    data += channel(samples, "battery_v", shift, ink=look.VOLTAGE, dash="solid", axis="y2")
    data += _cutouts(cutouts, start_ms, end_ms, shift, zone)
    data += _compressor(samples, shift)
    has_volts = any(trace.get("yaxis") == "y2" for trace in data)
    layout = _layout(card, start_ms=start_ms, end_ms=end_ms, zone=zone, has_volts=has_volts)
    sources = charge_strip(charging, start_ms, end_ms, shift)
    if sources:
        data += sources
        layout["yaxis4"]["visible"] = True
    if end_ms > card.as_of + MINUTE_MS:
        shapes, notes = fans(card, end_ms=end_ms, shift=shift)
        layout["shapes"] += [now_line(card.as_of, shift), *shapes]
        layout["annotations"] += notes
    layout["meta"] = {"offset_ms": shift, "bin_s": samples.bin_s}
    return {"data": data, "layout": layout}


def summary(samples: Samples, *, start_ms: int, end_ms: int) -> str:
    """Return the chart in a sentence, for those who cannot see it."""
    span = text.hours((end_ms - start_ms) / HOUR_MS)
    bins = samples.channels.get("cabinet_c")
    lows = [] if bins is None else [low for low in bins.min if low is not None]
    highs = [] if bins is None else [high for high in bins.max if high is not None]
    if bins is None or not lows:
        return _("In these %(span)s no cabinet temperature was heard.", span=span)
    empty = sum(1 for held in bins.count if not held)
    missing = text.minutes(empty * samples.bin_s / 60)
    stood = _(
        "In these %(span)s the cabinet stood between %(low)s and %(high)s.",
        span=span,
        low=text.degrees(min(lows)),
        high=text.degrees(max(highs)),
    )
    gaps = _("Nothing was heard for %(missing)s of it.", missing=missing) if empty else _("No gap in it.")
    return f"{stood} {gaps}"
