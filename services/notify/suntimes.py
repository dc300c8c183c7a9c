"""When the sun rises and sets at a place, for what is told at dawn and at dusk."""

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from services.analytics.power.sunshine import sun_height
from services.domain import Site
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS, ms_of

UP: Final = -0.01454
"""Cosine of the sun's distance from the zenith as it rises and sets: 90° 50', for its radius and the bending
of light (The Astronomical Almanac, from memory)."""
USUAL_H = (6, 18)
"""Local hours where nobody said where a place lies, or the sun does not rise: as elsewhere in the house."""
_STEP_MS = 5 * MINUTE_MS


@lru_cache(maxsize=512)
def sun_times(site: Site, day: date) -> tuple[int, int]:
    """Return sunrise and sunset of a day by the clock of a place [ms since 1970-01-01 UTC]."""
    start_ms = ms_of(datetime.combine(day, time(), site.zone).astimezone(UTC))
    usual = tuple(ms_of(datetime.combine(day, time(hour), site.zone)) for hour in USUAL_H)
    if site.latitude_deg is None or site.longitude_deg is None:
        return usual[0], usual[1]
    end_ms = ms_of(datetime.combine(day + timedelta(days=1), time(), site.zone).astimezone(UTC))
    t_ms = np.arange(start_ms, end_ms + HOUR_MS, _STEP_MS, dtype=np.int64)
    height = sun_height(t_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg) - UP
    rises, sets = (height[:-1] < 0) & (height[1:] >= 0), (height[:-1] >= 0) & (height[1:] < 0)
    return _crossing(t_ms, height, rises, usual[0]), _crossing(t_ms, height, sets, usual[1])


def _crossing(t_ms: IntArray, height: FloatArray, where: NDArray[np.bool_], usual_ms: int) -> int:
    """Return the first moment at which a straight line between two heights is at the horizon."""
    found = np.flatnonzero(where)
    if not len(found):
        return usual_ms
    k = int(found[0])
    share = -height[k] / (height[k + 1] - height[k])
    return int(t_ms[k]) + round(float(share) * _STEP_MS)
