"""A number of a machine over days as a small line: plain shapes in a box of fixed size."""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from services.api.healthdesk import NumberOfDays
from services.timebase import DAY_MS

WIDTH, HEIGHT = 200.0, 36.0
_EDGE = 2.0
"""So that a line at the edge is not cut in half."""
_LEAST_SHARE = 0.3
"""A line shows at least so much of its own value from top to bottom: what hardly moves looks it."""


class Spark(NamedTuple):
    """One small line."""

    lines: tuple[str, ...]
    """Points of unbroken stretches of days."""
    dots: tuple[tuple[float, float], ...]
    """Days without a neighbour."""
    last: tuple[float, float]
    band: tuple[float, float] | None
    """Top and height of the usual."""


def spark(number: NumberOfDays, days: Sequence[int], *, start_ms: int, end_ms: int) -> Spark | None:
    """Return the line of a number over a span; None where no day tells it."""
    known = [(day, v) for day, v in zip(days, number.values, strict=True) if v is not None]
    if not known:
        return None
    usual = number.usual
    reach = [v for _day, v in known] + ([] if usual is None else [usual.low, usual.high])
    middle = (min(reach) + max(reach)) / 2
    wide = max(max(reach) - min(reach), _LEAST_SHARE * abs(middle)) or 1.0
    high = middle + wide / 2

    def x(day: int) -> float:
        return round(WIDTH * (day + DAY_MS / 2 - start_ms) / (end_ms - start_ms), 1)

    def y(value: float) -> float:
        return round(_EDGE + (HEIGHT - 2 * _EDGE) * (high - value) / wide, 1)

    stretches: list[list[tuple[int, float]]] = [[known[0]]]
    for before, after in pairwise(known):
        if after[0] - before[0] > DAY_MS:
            stretches.append([])
        stretches[-1].append(after)
    return Spark(
        lines=tuple(" ".join(f"{x(d)},{y(v)}" for d, v in part) for part in stretches if len(part) > 1),
        dots=tuple((x(part[0][0]), y(part[0][1])) for part in stretches if len(part) == 1),
        last=(x(known[-1][0]), y(known[-1][1])),
        band=None if usual is None else (y(usual.high), round(max(y(usual.low) - y(usual.high), 1.0), 1)),
    )
