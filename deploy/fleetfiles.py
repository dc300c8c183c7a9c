"""Fleet and unit files: checked, and made the fleet."""

from pathlib import Path
from typing import TYPE_CHECKING

from deploy.analyse import read_text
from services.analytics.food.house import house_faults
from services.analytics.food.rules import limits_of
from services.domain import UnitSettings
from services.domain.fleetcheck import check
from services.domain.fleetfile import parse_fleet, parse_unit_file
from services.errors import ConfigurationError

if TYPE_CHECKING:  # a file is checked without a database
    from services.records.facade import Records


def apply_fleet_file(records: "Records", file: Path, *, who: str, at_ms: int) -> None:
    """Make the fleet what a file says.

    Raises
    ------
    ConfigurationError
        Naming file, key and line of everything that is wrong with it; nothing is changed then.
    """
    refused, remarks = check_file(file)
    if refused:
        raise ConfigurationError("; ".join(remarks), setting=file.name)
    fleet = parse_fleet(read_text(file), name=file.name, house_faults=house_faults)
    records.apply_fleet(fleet, who=who, now_ms=at_ms)


def _units_in(file: Path) -> list[UnitSettings]:
    text = read_text(file)
    single = any(line.split("#")[0].strip() == "[unit]" for line in text.splitlines())
    if single:
        return [parse_unit_file(text, name=file.name, house_faults=house_faults)]
    fleet = parse_fleet(text, name=file.name, house_faults=house_faults)
    return [fleet.settings_of(unit.id) for unit in fleet.units]


def _deciding_limit_c(settings: UnitSettings) -> float | None:
    limits = limits_of(settings)
    return None if all(limit.cap == "watch" for limit in limits.limits) else limits.food_limit_c


def check_file(file: Path) -> tuple[bool, list[str]]:
    """Return whether a fleet or unit file must be refused, and everything there is to say about it."""
    remarks = [
        remark
        for settings in _units_in(file)
        for remark in check(settings, limit_c=_deciding_limit_c(settings))
    ]
    return any(remark.refused for remark in remarks), [str(remark) for remark in remarks]
