"""Several cabinets one under the other on the same axes, as plain SVG shapes: bands, middles, gaps."""

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from services.api.schemas import ChannelBins

WIDTH, HEIGHT = 720.0, 96.0
_ROUND_TO = 5.0
"""Axes end on whole fives, so that small changes of the fleet do not move them. [°C]"""


_Y = Callable[[float], float]


class Strip(NamedTuple):
    """One cabinet: a shape from lowest to highest for each unbroken stretch, and the middle of each."""

    bands: tuple[str, ...]
    middles: tuple[str, ...]
    limit_y: float | None
    gaps: tuple[tuple[float, float], ...]
    """Left and width of stretches without a reading."""


def _known(bins: ChannelBins | None) -> list[tuple[float, float]]:
    if bins is None:
        return []
    return [
        (low, high)
        for low, high in zip(bins.min, bins.max, strict=True)
        if low is not None and high is not None
    ]


def axis(found: Iterable[ChannelBins | None], step: float = _ROUND_TO) -> tuple[float, float] | None:
    """Return lowest and highest value of one axis for all, None where nothing was measured."""
    known = [pair for bins in found for pair in _known(bins)]
    if not known:
        return None
    low, high = min(pair[0] for pair in known), max(pair[1] for pair in known)
    low, high = low // step * step, -(-high // step) * step
    return low, high if high > low else low + step


def _stretches(bins: ChannelBins) -> list[tuple[int, int, bool]]:
    """Return half-open runs of bins with and without readings."""
    found: list[tuple[int, int, bool]] = []
    for at, count in enumerate(bins.count):
        held = count > 0
        if found and found[-1][2] == held:
            found[-1] = (found[-1][0], at + 1, held)
        else:
            found.append((at, at + 1, held))
    return found


def strip(bins: ChannelBins | None, over: tuple[float, float], limit: float | None = None) -> Strip:
    """Return the shapes of one cabinet on an axis."""
    low, high = over

    def y(value: float) -> float:
        return round(HEIGHT * (1.0 - (value - low) / (high - low)), 1)

    limit_y = None if limit is None or not low <= limit <= high else y(limit)
    if bins is None or not bins.count:
        return Strip((), (), limit_y, ((0.0, WIDTH),))
    step = WIDTH / len(bins.count)
    bands, middles, gaps = [], [], []
    for first, end, held in _stretches(bins):
        if not held:
            gaps.append((round(first * step, 1), round((end - first) * step, 1)))
            continue
        bands.append(_band(bins, first, end, step, y))
        middles.append(_middle(bins, first, end, step, y))
    return Strip(tuple(bands), tuple(middles), limit_y, tuple(gaps))


def _band(bins: ChannelBins, first: int, end: int, step: float, y: _Y) -> str:
    up, down = [], []
    for at in range(first, end):
        low, high = bins.min[at], bins.max[at]
        if low is not None and high is not None:
            left, right = round(at * step, 1), round((at + 1) * step, 1)
            up += [f"{left:g},{y(high):g}", f"{right:g},{y(high):g}"]
            down += [f"{left:g},{y(low):g}", f"{right:g},{y(low):g}"]
    return " ".join([*up, *reversed(down)])


def _middle(bins: ChannelBins, first: int, end: int, step: float, y: _Y) -> str:
    points = []
    for at in range(first, end):
        mean = bins.mean[at]
        if mean is not None:
            points.append(f"{round((at + 0.5) * step, 1):g},{y(mean):g}")
    return " ".join(points)


def days(start_ms: int, end_ms: int, midnights_ms: Sequence[int]) -> tuple[float, ...]:
    """Return where days begin on the axis of time."""
    return tuple(
        round(WIDTH * (at - start_ms) / (end_ms - start_ms), 1)
        for at in midnights_ms
        if start_ms < at < end_ms
    )
