"""What makes one description of a fleet another one."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from services.domain._fleet import Bank, Fleet, Site, Unit
from services.domain.fleetcells import KINDS, Kind, flat

Thing = Site | Bank | Unit


@dataclass(frozen=True, slots=True)
class Change:
    """One site, bank or unit that is described anew, put on the list or taken off it."""

    kind: Kind
    key: str
    before: Thing | None
    after: Thing | None

    def cells(self) -> tuple[tuple[str, str, str], ...]:
        """Return column, what stood there and what stands there now, of all that changes."""
        old, new = (_cells(self.kind, thing) for thing in (self.before, self.after))
        names = dict.fromkeys((*old, *new))
        return tuple(
            (name, old.get(name, ""), new.get(name, "")) for name in names if old.get(name) != new.get(name)
        )


def _cells(kind: Kind, thing: Thing | None) -> Mapping[str, str]:
    return {} if thing is None else flat(kind, thing.model_dump(mode="json", exclude_defaults=True))


def things_of(fleet: Fleet) -> dict[tuple[Kind, str], Thing]:
    """Return sites, banks and units by kind and id."""
    parts: dict[Kind, tuple[Any, ...]] = {"site": fleet.sites, "bank": fleet.banks, "unit": fleet.units}
    return {(kind, thing.id): thing for kind in KINDS for thing in parts[kind]}


def changes_between(before: Fleet, after: Fleet) -> tuple[Change, ...]:
    """Return what changes of sites, banks and units, in the order of the new description."""
    old, new = things_of(before), things_of(after)
    keys = dict.fromkeys((*new, *old))
    return tuple(
        Change(kind, key, old.get((kind, key)), new.get((kind, key)))
        for kind, key in keys
        if old.get((kind, key)) != new.get((kind, key))
    )
