"""A scenario joined with its fleet: what the whole simulator is built from."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from firmware_sim.scenarios.model import (
    BankPhysics,
    Fault,
    FleetBank,
    FleetSite,
    FleetUnit,
    SiteWeather,
    UnitPhysics,
)


@dataclass(frozen=True)
class Scenario:
    """A scenario joined with its fleet; the tuples of pairs are in the order of the fleet file."""

    name: str
    seed: int
    path: Path
    fleet_path: Path
    sites: tuple[tuple[FleetSite, SiteWeather], ...]
    banks: tuple[tuple[FleetBank, BankPhysics], ...]
    units: tuple[tuple[FleetUnit, UnitPhysics], ...]
    faults: tuple[Fault, ...] = ()
    about: str = ""
    days: float = 14.0
    ends: datetime | None = None
    origin: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """Under site, bank and unit: which id of the fleet file each repeats; empty when none is repeated."""

    @property
    def unit_ids(self) -> tuple[str, ...]:
        """Units in order."""
        return tuple(unit.id for unit, _ in self.units)
