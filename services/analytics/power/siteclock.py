"""Day and night by the clock of a unit's site."""

import numpy as np

from services.analytics.power.frame import BoolArray
from services.domain import UnitSettings
from services.telemetry import IntArray
from services.timebase import HOUR_MS, datetime_of


def by_night(t_ms: IntArray, settings: UnitSettings) -> BoolArray:
    """Return where the site's clock stands between 19:00 and 05:00, by the offset of the newest instant."""
    return np.asarray((site_hour(t_ms, settings) >= 19) | (site_hour(t_ms, settings) < 5), dtype=np.bool_)  # noqa: PLR2004


def sunlit(t_ms: IntArray, settings: UnitSettings) -> BoolArray:
    """Return where a declared panel may give something: by day."""
    if settings.unit.supply.panel_wp <= 0:
        return np.zeros(t_ms.shape, dtype=np.bool_)
    return ~by_night(t_ms, settings)


def site_hour(t_ms: IntArray, settings: UnitSettings) -> IntArray:
    """Return the hour of the day at the unit's site, 0 to 23, by the offset in force at the last instant."""
    return np.asarray((t_ms + site_offset_ms(t_ms, settings)) // HOUR_MS % 24, dtype=np.int64)


def site_offset_ms(t_ms: IntArray, settings: UnitSettings) -> int:
    """Return how far the site's clock is ahead of UTC at the last instant given [ms]."""
    if settings.site is None or t_ms.size == 0:
        return 0
    offset = datetime_of(float(t_ms[-1])).astimezone(settings.site.zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)
