"""What a page needs to keep itself current while somebody looks at it."""

from dataclasses import dataclass
from datetime import UTC, timedelta, tzinfo

from dashboards import text
from services.api.desk import Desk
from services.timebase import MINUTE_MS, SECOND_MS

_EVERY_MS = 5_000


@dataclass(frozen=True, slots=True)
class Live:
    """The moment a page was made, and from which change on the server tells it more."""

    now_ms: int
    change: int
    made: str
    units: tuple[str, ...]
    """Cabinets the page is about; empty where every one concerns it."""
    every_ms: int
    """Not fetched more often than this."""
    zones: tuple[str, ...]
    """Offsets of the clocks its times are told by, one for each there is."""
    clock_min: int
    """Offset from UTC of the clock the page counts on by: that of its only zone, else UTC. [min]"""
    clock_name: str
    """What is said behind its times; empty where one zone is told beside it."""


def live_of(desk: Desk, *units: str, every_ms: int = _EVERY_MS) -> Live:
    """Return where live changes begin for a page.

    Asked before anything else is read, so that a change in between is fetched twice, not missed.
    """
    change, now_ms, fleet = desk.newest_change(), desk.now_ms(), desk.fleet()
    about = {unit.site for unit in fleet.units if unit.id in units}
    zones = {
        text.offset_name(now_ms, site.zone): site.zone
        for site in fleet.sites
        if not units or site.id in about
    }
    clock = next(iter(zones.values())) if len(zones) == 1 else UTC
    name = next(iter(zones)) if len(zones) == 1 else "UTC"
    return Live(
        now_ms=now_ms,
        change=change,
        made=f"{text.stamp(now_ms, clock)} {name}",
        units=units,
        every_ms=every_ms,
        zones=tuple(sorted(zones)),
        clock_min=_offset_min(now_ms, clock),
        clock_name="" if len(zones) == 1 else f" {name}",
    )


def _offset_min(now_ms: int, zone: tzinfo) -> int:
    offset = text.local(now_ms, zone).utcoffset() or timedelta()
    return round(offset.total_seconds() * SECOND_MS / MINUTE_MS)
