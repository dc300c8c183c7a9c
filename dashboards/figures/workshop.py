"""Evidence for the workshop as a plain dict: what changed together stands one under the other."""

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Any

from dashboards import text
from dashboards.benchwords import milliohm, share
from dashboards.figures import look
from dashboards.figures.unit import Figure, channel, drawn_axis, level, offset_ms
from dashboards.language import _
from services.api.schemas import ChannelBins, Samples
from services.domain import PathOhm, SupplyPath, UnitCard, Work, WorkDay
from services.timebase import DAY_MS, SECOND_MS

READ = ("cabinet_c", "evaporator_c", "ambient_c", "battery_v")
_ROWS = {"y": (0.74, 1.0), "y2": (0.50, 0.70), "y3": (0.29, 0.46), "y4": (0.14, 0.25), "y5": (0.0, 0.10)}
"""Heights of temperatures, voltage, resistance, running and starts."""
_HALF_DAY_MS = DAY_MS // 2
_TWICE = 2.0
"""Standard errors either way of a resistance: nineteen of twenty times the true one lies within."""


def duty_days(work: Work | None, bins: ChannelBins | None, bin_s: float) -> list[tuple[int, float, float]]:
    """Return middle [ms], width [ms] and share of running: of whole days as counted, before them as read.

    `bins` are the readings of the compressor in days; those that were counted are left out of them.
    """
    days = () if work is None else work.days
    counted = [(day.day + _HALF_DAY_MS, float(DAY_MS), day.duty) for day in days]
    first_ms = days[0].day if days else None
    width_ms = bin_s * SECOND_MS
    read: list[tuple[int, float, float | None]] = []
    if bins is not None:
        read = [
            (round(t + width_ms / 2), width_ms, mean)
            for t, mean in zip(bins.t_ms, bins.mean, strict=True)
            if first_ms is None or t + width_ms <= first_ms
        ]
    return [(at, width, found) for at, width, found in (*read, *counted) if found is not None]


def _bars(
    found: Sequence[tuple[int, float, float]],
    words: Sequence[str],
    name: str,
    *,
    shift: int,
    ink: str,
    axis: str,
) -> list[Figure]:
    if not found:
        return []
    return [
        {
            "type": "bar",
            "name": name,
            "x": [at + shift for at, _width, _value in found],
            "width": [0.8 * width for _at, width, _value in found],
            "y": [value for _at, _width, value in found],
            "yaxis": axis,
            "text": list(words),
            "textposition": "none",
            "hovertemplate": "%{text}<extra></extra>",
            "marker": {"color": look.faint(ink), "line": {"color": ink, "width": 1}},
        }
    ]


def _running(found: Sequence[tuple[int, float, float]], shift: int) -> list[Figure]:
    words = [_("running %(share)s", share=share(value)) for _at, _width, value in found]
    return _bars(found, words, _("Share of time running"), shift=shift, ink=look.COMPRESSOR, axis="y4")


def _starts(days: Sequence[WorkDay], shift: int) -> list[Figure]:
    found = [(d.day + _HALF_DAY_MS, float(DAY_MS), d.starts_per_hour) for d in days]
    known = [(at, width, rate) for at, width, rate in found if rate is not None]
    words = [_("%(rate)s starts an hour", rate=text.number(rate)) for _at, _width, rate in known]
    return _bars(known, words, _("Starts an hour"), shift=shift, ink=look.PRODUCT, axis="y5")


def _marks(
    name: str,
    points: Sequence[tuple[int, float]],
    words: Sequence[str],
    *,
    shift: int,
    ink: str,
    axis: str,
    symbol: str,
) -> Figure:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": [at + shift for at, _value in points],
        "y": [value for _at, value in points],
        "yaxis": axis,
        "text": list(words),
        "hovertemplate": "%{text}<extra></extra>",
        "marker": {"symbol": symbol, "size": 9, "color": ink, "line": {"color": look.INK, "width": 1}},
    }


def _voltages(days: Sequence[WorkDay], shift: int) -> list[Figure]:
    """Return the middle of each day under load and at rest."""
    drawn = []
    for name, symbol, values in (
        (_("At rest, middle of the day"), "triangle-up", [(d.day, d.rest_v) for d in days]),
        (_("Under load, middle of the day"), "triangle-down", [(d.day, d.loaded_v) for d in days]),
    ):
        known = [(day + _HALF_DAY_MS, volts) for day, volts in values if volts is not None]
        if known:
            words = [f"{name}: {text.volts(volts)}" for _day, volts in known]
            drawn.append(_marks(name, known, words, shift=shift, ink=look.VOLTAGE, axis="y2", symbol=symbol))
    return drawn


def _path(work: Work, shift: int) -> list[Figure]:
    """Return single stops, the middle of each day with its error, and the line through them."""
    drawn: list[Figure] = []
    if work.stops:
        stops = [(stop.at, stop.ohm) for stop in work.stops]
        words = [milliohm(ohm) for _at, ohm in stops]
        dots = _marks(
            _("Single stops"), stops, words, shift=shift, ink=look.FADED, axis="y3", symbol="circle-open"
        )
        dots["marker"] |= {"size": 5}
        drawn.append(dots)
    points = [(d.day + _HALF_DAY_MS, d.path_ohm) for d in work.days if d.path_ohm is not None]
    if points:
        spread = [d.path_sd_ohm for d in work.days if d.path_ohm is not None]
        off = [0.0 if sd is None else _TWICE * sd for sd in spread]
        words = [f"{milliohm(ohm)} ± {milliohm(sd)}" for (_at, ohm), sd in zip(points, off, strict=True)]
        middle = _marks(
            _("Middle of the day"), points, words, shift=shift, ink=look.LIMIT, axis="y3", symbol="square"
        )
        middle["error_y"] = {"type": "data", "array": off, "color": look.LIMIT, "thickness": 1.5, "width": 5}
        drawn.append(middle)
    if work.trend is not None:
        drawn.append(_trend(work.trend, shift))
    return drawn


def _trend(ends: tuple[PathOhm, PathOhm], shift: int) -> Figure:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": _("Line through the days"),
        "x": [end.at + shift for end in ends],
        "y": [end.ohm for end in ends],
        "yaxis": "y3",
        "hoverinfo": "skip",
        "line": {"color": look.LIMIT, "width": 1.5, "dash": "dashdot"},
    }


def _levels(card: UnitCard, work: Work | None, path: SupplyPath | None) -> list[tuple[Figure, Figure]]:
    """Return set point and limit, and what a sound path would measure."""
    aim = _("set point %(value)s", value=text.degrees(card.set_point_c))
    most = _("limit %(value)s", value=text.degrees(card.limit_c))
    found = [
        level(card.set_point_c, aim, ink=look.FADED, dash="dot", side="left"),
        level(card.limit_c, most, ink=look.LIMIT, dash="dash", side="right"),
    ]
    sound = path.expected_ohm if path is not None else None if work is None else work.expected_ohm
    if sound is not None:
        words = _("a sound one %(ohm)s", ohm=milliohm(sound))
        line, note = level(sound, words, ink=look.FADED, dash="dot", side="right")
        found.append((line | {"yref": "y3"}, note | {"yref": "y3"}))
    return found


def _layout(
    levels: Sequence[tuple[Figure, Figure]], *, start_ms: int, end_ms: int, shift: int, zone_name: str
) -> Figure:
    zone_words = _("time at the site, %(zone)s; days by UTC", zone=zone_name)
    titles = {
        "y": "°C", "y2": _("V at the unit"), "y3": _("Ω to the battery"),
        "y4": _("running"), "y5": _("starts an hour"),
    }  # fmt: skip
    more: Mapping[str, dict[str, Any]] = {
        "y3": {"rangemode": "tozero"},
        "y4": {"range": [0, 1.02], "tickformat": ".0%"},
        "y5": {"rangemode": "tozero"},
    }
    axes = {
        f"yaxis{key[1:]}": drawn_axis(titles[key], rows, fixedrange=True, **more.get(key, {}))
        for key, rows in _ROWS.items()
    }
    times = [start_ms + shift, end_ms + shift]
    return {
        **look.FRAME,
        "margin": {"l": 64, "r": 12, "t": 76, "b": 56},
        "hovermode": "x",
        "legend": {"orientation": "h", "x": 0, "y": 1.01, "yanchor": "bottom"},
        "bargap": 0,
        "barmode": "overlay",
        "xaxis": drawn_axis(zone_words, (0, 1), type="date", range=times, anchor="y5", tickangle=0),
        **axes,
        "shapes": [line for line, _note in levels],
        "annotations": [note for _line, note in levels],
    }


def bench_figure(
    samples: Samples,
    days: Samples,
    card: UnitCard,
    work: Work | None,
    path: SupplyPath | None,
    *,
    start_ms: int,
    end_ms: int,
    zone: tzinfo,
) -> Figure:
    """Return the evidence over ``[start_ms, end_ms)``, in the site's time.

    `samples` are the channels of `READ` in fine bins, `days` the compressor's state in UTC days. What was
    never measured has no trace; its row stays empty.
    """
    shift = offset_ms(end_ms, zone)
    data: list[Figure] = []
    for column, ink, dash in (
        ("cabinet_c", look.TEMPERATURE, "solid"),
        ("evaporator_c", look.FOOD, "dash"),
        ("ambient_c", look.OUTSIDE, "dot"),
    ):
        data += channel(samples, column, shift, ink=ink, dash=dash, axis="y")
    data += channel(samples, "battery_v", shift, ink=look.VOLTAGE, dash="solid", axis="y2")
    running = duty_days(work, days.channels.get("compressor_on"), days.bin_s)
    data += _running(running, shift)
    if work is not None:
        data += [*_voltages(work.days, shift), *_path(work, shift), *_starts(work.days, shift)]
    layout = _layout(
        _levels(card, work, path),
        start_ms=start_ms,
        end_ms=end_ms,
        shift=shift,
        zone_name=text.offset_name(end_ms, zone),
    )
    layout["meta"] = {"offset_ms": shift, "bin_s": samples.bin_s}
    return {"data": data, "layout": layout}


def words_of(work: Work | None) -> str:
    """Return the charts in a sentence, for those who cannot see them."""
    if work is None or not work.days:
        return _("No compressor state was heard: running, starts and resistance cannot be shown.")
    rates = [d.starts_per_hour for d in work.days if d.starts_per_hour is not None]
    duties = [d.duty for d in work.days if d.duty is not None]
    found = []
    if duties:
        found.append(
            _(
                "By day it ran between %(low)s and %(high)s of the time",
                low=share(min(duties)),
                high=share(max(duties)),
            )
        )
    if rates:
        low, high = text.number(min(rates)), text.number(max(rates))
        found.append(_("started %(low)s to %(high)s times an hour", low=low, high=high))
    ohms = [d.path_ohm for d in work.days if d.path_ohm is not None]
    if ohms:
        low, high = milliohm(min(ohms)), milliohm(max(ohms))
        found.append(_("and the way from the battery measured %(low)s to %(high)s", low=low, high=high))
    return text.sentence(", ".join(found)) or _("Less than an hour of each day was heard.")
