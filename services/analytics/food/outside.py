"""The air around food that was taken out of its cabinet: measured beside the cabinet, else assumed."""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.entries import Readings
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS

OUT_C = 30.0
"""Air around food that was taken out, where nobody measures it (judgement, no source): it decides only how
long the food stays warm once it is back, since all time out counts in full."""
KEEPS_MS = 3 * HOUR_MS
"""A reading of the air of a place tells of it for this long (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Around:
    """Air around food while it is out, a line through known points."""

    t_ms: IntArray
    air_c: FloatArray
    assumed: bool
    """Whether any of it was assumed."""

    def at(self, t_ms: IntArray) -> FloatArray:
        """Return the air at moments within the stretch; the last point goes on."""
        return np.asarray(np.interp(t_ms.astype(np.float64), self.t_ms.astype(np.float64), self.air_c))


def around(ambient: Readings, start_ms: int, end_ms: int) -> Around:
    """Return the air around food that was out in ``[start_ms, end_ms]``.

    Each point is told by what was read up to it, never by what came after, so that the way of the food
    only grows as time goes on. Where readings are missing for longer than three hours the air is taken
    as 30 °C, or as warm as it was read last where that is more.

    Parameters
    ----------
    ambient : Readings
        The ambient channel of its cabinet, or of another one at the same place.
    start_ms, end_ms : int
        When it was out, up to "now". [ms since 1970-01-01 UTC]
    """
    first = int(np.searchsorted(ambient.t_ms, start_ms, side="right"))
    last = int(np.searchsorted(ambient.t_ms, end_ms, side="right"))
    before = first - 1
    known_c = float(ambient.value_c[before]) if before >= 0 else OUT_C
    fresh = before >= 0 and start_ms - int(ambient.t_ms[before]) <= KEEPS_MS
    points = [(start_ms, known_c if fresh else max(OUT_C, known_c))]
    told_ms = int(ambient.t_ms[before]) if fresh else start_ms - KEEPS_MS
    assumed = not fresh
    for t_ms, value_c in zip(
        [*ambient.t_ms[first:last].tolist(), end_ms],
        [*ambient.value_c[first:last].tolist(), None],
        strict=True,
    ):
        lapsed_ms = told_ms + KEEPS_MS
        if points[-1][0] < lapsed_ms < t_ms:
            assumed = True
            points.append((lapsed_ms, max(OUT_C, points[-1][1])))
        if value_c is not None:
            points.append((t_ms, value_c))
            told_ms = t_ms
    return Around(
        np.array([t for t, _ in points], dtype=np.int64), np.array([c for _, c in points]), assumed=assumed
    )
