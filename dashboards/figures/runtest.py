"""A test as a chart: on screen like a cabinet's own, on paper as plain shapes."""

from collections.abc import Callable, Sequence
from datetime import tzinfo
from typing import NamedTuple

from dashboards import text
from dashboards.figures import look
from dashboards.figures.unit import Figure, offset_ms, unit_figure
from dashboards.language import _
from services.api.schemas import ChannelBins, Samples
from services.domain import RunTest, UnitCard
from services.timebase import HOUR_MS

CHANNELS = ("cabinet_c", "product_c", "ambient_c", "battery_v", "compressor_on")
WIDTH, HEIGHT, STRIP = 640.0, 220.0, 12.0
"""Of the chart on paper; below it a strip tells when the compressor ran."""
LAST_H = 6
_ROOM_K = 2.0
_Place = Callable[[float], float]


def runtest_figure(
    samples: Samples, card: UnitCard, result: RunTest | None, *, start_ms: int, end_ms: int, zone: tzinfo
) -> Figure:
    """Return a test over ``[start_ms, end_ms)``: the cabinet's own chart, limit and set point of the test."""
    own: dict[str, float] = {"as_of": end_ms}
    if result is not None:
        own |= {"limit_c": result.limit_c, "set_point_c": result.set_point_c}
    shown = card.model_copy(update=own)
    figure = unit_figure(samples, shown, (), start_ms=start_ms, end_ms=end_ms, zone=zone)
    if result is None or result.kind != "run":
        return figure
    at = result.start + LAST_H * HOUR_MS
    if start_ms < at < end_ms:
        x = at + offset_ms(end_ms, zone)
        line = {"color": look.INK, "width": 1, "dash": "dot"}
        figure["layout"]["shapes"].append(
            {"type": "line", "xref": "x", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": 1, "line": line}
        )
        figure["layout"]["annotations"].append(
            {
                "xref": "x", "x": x, "xanchor": "left", "yref": "paper", "y": 1, "yanchor": "top",
                "text": _("counted from here"), "showarrow": False, "bgcolor": look.PAPER,
                "font": {"color": look.INK, "size": 12},
            }
        )  # fmt: skip
    return figure


class Level(NamedTuple):
    """A line across, and its words."""

    y: float
    words: str
    dash: str


class Paper(NamedTuple):
    """The chart of a test on paper."""

    box: tuple[float, float]
    strip: float
    cabinet: tuple[str, ...]
    """Points of unbroken lines."""
    product: tuple[str, ...]
    air: tuple[str, ...]
    levels: tuple[Level, ...]
    ran: tuple[tuple[float, float], ...]
    """Left and width of each stretch of running."""
    hours: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    counted: float | None
    """Where the last six hours begin."""
    words: str


def paper(samples: Samples, result: RunTest, *, zone: tzinfo) -> Paper | None:
    """Return the chart of a test for paper; None where no temperature was read."""
    bins = {name: samples.channels.get(name) for name in CHANNELS}
    values = [
        v for name in ("cabinet_c", "product_c", "ambient_c") for v in _means(bins[name]) if v is not None
    ]
    if bins["cabinet_c"] is None or not values:
        return None
    low = min(*values, result.set_point_c, result.limit_c) - _ROOM_K
    high = max(*values, result.limit_c) + _ROOM_K
    span = max(1, result.end - result.start)

    def x(t_ms: float) -> float:
        return round(WIDTH * min(1.0, max(0.0, (t_ms - result.start) / span)), 1)

    def y(value: float) -> float:
        return round(HEIGHT * (1.0 - (value - low) / (high - low)), 1)

    def lines(name: str) -> tuple[str, ...]:
        found = bins[name]
        return () if found is None else _lines(found, samples.bin_s, x, y)

    at = result.start + LAST_H * HOUR_MS
    return Paper(
        box=(WIDTH, HEIGHT),
        strip=STRIP,
        cabinet=lines("cabinet_c"),
        product=lines("product_c"),
        air=lines("ambient_c"),
        levels=(
            Level(y(result.limit_c), _("limit %(limit)s", limit=text.degrees(result.limit_c)), "6 3"),
            Level(
                y(result.set_point_c),
                _("set point %(temperature)s", temperature=text.degrees(result.set_point_c)),
                "2 2",
            ),
        ),
        ran=_ran(bins["compressor_on"], samples.bin_s, x),
        hours=_hours(result, zone, x),
        ticks=tuple((y(v), text.degrees(v, 0)) for v in _round(low, high)),
        counted=x(at) if result.kind == "run" and result.start < at < result.end else None,
        words=_("Cabinet as a line, product broken, air around it dotted; dark below: compressor running."),
    )


def _means(bins: ChannelBins | None) -> Sequence[float | None]:
    return () if bins is None else bins.mean


def _lines(bins: ChannelBins, bin_s: float, x: _Place, y: _Place) -> tuple[str, ...]:
    """Return unbroken stretches of a channel as points."""
    found: list[str] = []
    points: list[str] = []
    for t, mean in zip((*bins.t_ms, 0), (*bins.mean, None), strict=True):
        if mean is not None:
            points.append(f"{x(t + 500.0 * bin_s)},{y(mean)}")
        elif points:
            found.append(" ".join(points))
            points = []
    return tuple(found)


def _ran(bins: ChannelBins | None, bin_s: float, x: _Place) -> tuple[tuple[float, float], ...]:
    """Return where the compressor ran for most of a bin, joined."""
    found: list[tuple[float, float]] = []
    for t, mean in () if bins is None else zip(bins.t_ms, bins.mean, strict=True):
        if mean is None or mean < 0.5:  # noqa: PLR2004 - the greater part of it
            continue
        left, right = x(t), x(t + 1000.0 * bin_s)
        if found and abs(found[-1][0] + found[-1][1] - left) < 0.15:  # noqa: PLR2004 - rounding
            found[-1] = (found[-1][0], round(right - found[-1][0], 1))
        else:
            found.append((left, round(right - left, 1)))
    return tuple(found)


def _hours(result: RunTest, zone: tzinfo, x: _Place) -> tuple[tuple[float, str], ...]:
    hours = (result.end - result.start) / HOUR_MS
    step = next((s for s in (1, 2, 6, 12) if hours / s <= 12), 24)  # noqa: PLR2004 - so many names fit
    first = -(-result.start // HOUR_MS) * HOUR_MS
    return tuple((x(t), f"{text.local(t, zone):%H:%M}") for t in range(first, result.end + 1, step * HOUR_MS))


def _round(low: float, high: float) -> list[float]:
    """Return round temperatures between two."""
    step = next(s for s in (2.0, 5.0, 10.0, 20.0, 50.0) if (high - low) / s <= 9)  # noqa: PLR2004 - so many fit
    first = -(-low // step) * step
    return [first + k * step for k in range(int((high - first) // step) + 1)]
