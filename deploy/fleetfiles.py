"""Fleet and unit files: checked, and made the fleet."""

from pathlib import Path
from typing import TYPE_CHECKING

from deploy.analyse import read_text
from services.analytics.food.house import house_faults
from services.api.fleetplan import Plan, RowsPlan, carry_out, plan_of, plan_of_rows, remarks_on
from services.domain import UnitSettings
from services.domain.fleetfile import parse_fleet, parse_unit_file
from services.errors import ConfigurationError, Refused

if TYPE_CHECKING:  # a file is checked without a database
    from services.records.facade import Records


def apply_fleet_file(records: "Records", file: Path, *, who: str, at_ms: int, why: str = "") -> None:
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
    _carry_out(records, plan_of(records, fleet), file, who=who, why=why, at_ms=at_ms)


def plan_rows_file(records: "Records", file: Path) -> RowsPlan:
    """Return what a file of rows comes to.

    Raises
    ------
    ConfigurationError
        If it cannot be read.
    """
    try:
        return plan_of_rows(records, file.read_bytes())
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", setting=str(file)) from error


def apply_rows(records: "Records", plan: Plan, file: Path, *, who: str, at_ms: int, why: str = "") -> None:
    """Make the fleet what rows were found to come to (see `apply_fleet_file` for what is raised)."""
    _carry_out(records, plan, file, who=who, why=why, at_ms=at_ms)


def _carry_out(records: "Records", plan: Plan, file: Path, *, who: str, why: str, at_ms: int) -> None:
    try:
        carry_out(records, plan, who=who, why=why or f"file {file.name}", now_ms=at_ms)
    except Refused as error:
        raise ConfigurationError(str(error), setting=file.name) from error


def _units_in(file: Path) -> list[UnitSettings]:
    text = read_text(file)
    single = any(line.split("#")[0].strip() == "[unit]" for line in text.splitlines())
    if single:
        return [parse_unit_file(text, name=file.name, house_faults=house_faults)]
    fleet = parse_fleet(text, name=file.name, house_faults=house_faults)
    return [fleet.settings_of(unit.id) for unit in fleet.units]


def check_file(file: Path) -> tuple[bool, list[str]]:
    """Return whether a fleet or unit file must be refused, and everything there is to say about it."""
    remarks = [remark for settings in _units_in(file) for remark in remarks_on(settings)]
    return any(remark.refused for remark in remarks), [str(remark) for remark in remarks]
