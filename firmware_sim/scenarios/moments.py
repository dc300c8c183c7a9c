"""When something in a scenario begins, for a history that meets the present at a given moment."""

from zoneinfo import ZoneInfo

from firmware_sim.scenarios.model import Moment
from services.timebase import HOUR_MS, datetime_of


def offset_h(zone: ZoneInfo, t_ms: int) -> float:
    """Return how many hours a zone's clocks are ahead of UTC at a moment."""
    offset = datetime_of(t_ms).astimezone(zone).utcoffset()
    return 0.0 if offset is None else offset.total_seconds() / 3600.0


def begins_ms(moment: Moment, *, anchor_ms: int, zone: ZoneInfo) -> int:
    """Return when a moment of a scenario is, for a history that meets the present at `anchor_ms`."""
    latest_ms = anchor_ms - round(moment.before_h * HOUR_MS)
    if moment.at_h is None:
        return latest_ms
    local_h = latest_ms / HOUR_MS + offset_h(zone, latest_ms)
    return latest_ms - round((local_h - moment.at_h) % 24.0 * HOUR_MS)
