"""Bands of a planned trip as plain SVG shapes: no script, no words inside, so that they fit any screen."""

from collections.abc import Sequence
from typing import NamedTuple

from services.domain import Quantiles
from services.domain.plan import PlanHour

WIDTH, HEIGHT = 720, 150


class Bands(NamedTuple):
    """One picture: the range, its middle, days, hours on a charger, and a line not to cross."""

    band: str
    middle: str
    days: tuple[float, ...]
    fed: tuple[tuple[float, float], ...]
    """Left and width."""
    limit_y: float | None
    low: float
    high: float
    """What bottom and top stand for."""
    width: int = WIDTH
    height: int = HEIGHT


def bands(
    values: Sequence[Quantiles],
    hours: Sequence[PlanHour],
    *,
    low: float,
    high: float,
    limit: float | None = None,
) -> Bands:
    """Return the shapes of one quantity, an hour to a point, low at the bottom."""
    step = WIDTH / max(1, len(values))

    def y(value: float) -> float:
        return round(HEIGHT * (1.0 - (min(high, max(low, value)) - low) / (high - low)), 1)

    at = [round((index + 1) * step, 1) for index in range(len(values))]
    upper = [f"{x},{y(v.p90)}" for x, v in zip(at, values, strict=True)]
    lower = [f"{x},{y(v.p10)}" for x, v in zip(at, values, strict=True)]
    return Bands(
        band=" ".join([*upper, *reversed(lower)]),
        middle=" ".join(f"{x},{y(v.p50)}" for x, v in zip(at, values, strict=True)),
        days=tuple(
            round(index * step, 1)
            for index in range(1, len(hours))
            if hours[index].day != hours[index - 1].day
        ),
        fed=tuple(
            (round(index * step, 1), round(step, 2))
            for index, hour in enumerate(hours)
            if hour.doing != "stopped"
        ),
        limit_y=None if limit is None or not low <= limit <= high else y(limit),
        low=low,
        high=high,
    )
