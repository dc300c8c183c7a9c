"""A scenario joined with its fleet: what the whole simulator is built from."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal

from firmware_sim.scenarios.model import (
    STEP_S,
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
    step_s: int = STEP_S
    """Length of the physics' steps. [s]"""
    numbers: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """Under site and unit: the place of each in the whole fleet, where this is a part; chance goes by it."""

    @property
    def unit_ids(self) -> tuple[str, ...]:
        """Units in order."""
        return tuple(unit.id for unit, _ in self.units)

    def number(self, table: Literal["site", "unit"], index: int) -> int:
        """Return the place of a site or unit in the whole fleet."""
        own = self.numbers.get(table)
        return index if own is None else own[index]
