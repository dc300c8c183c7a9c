"""What a fleet calls its things, and whose clock counts where."""

from datetime import tzinfo
from zoneinfo import ZoneInfo

from dashboards.noticewords import Names
from services.domain import Fleet


def names_of(fleet: Fleet) -> Names:
    """Return what a fleet calls its units and places."""
    return Names(
        units={unit.id: unit.name or unit.id for unit in fleet.units},
        sites={site.id: site.name for site in fleet.sites},
    )


def zone_at(fleet: Fleet, site: str | None) -> tzinfo:
    """Return the zone of a place; of the house the one zone there is, else UTC."""
    zones = {each.id: each.timezone for each in fleet.sites}
    every = set(zones.values())
    return ZoneInfo(zones.get(site or "") or (every.pop() if len(every) == 1 else "UTC"))
