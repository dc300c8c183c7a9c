"""Reads a scenario with its fleet file, and says in one sentence what is wrong with them."""

import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar
from zoneinfo import available_timezones

from pydantic import BaseModel, ValidationError

from firmware_sim.plant.cable import RESISTANCE_OHM_PER_KM
from firmware_sim.scenarios.clones import repeated
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import (
    STEP_S,
    BankPhysics,
    Fault,
    FleetFile,
    FleetUnit,
    ScenarioFile,
    SiteWeather,
    UnitPhysics,
)
from services.errors import ConfigurationError

__all__ = ["Scenario", "idle_because", "load_scenario"]

Model = TypeVar("Model", bound=BaseModel)


def _read(path: Path, model: type[Model]) -> Model:
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", setting=path.name) from error
    try:
        return model.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"not TOML: {error}", setting=path.name) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(first["msg"], setting=f"{path.name}: {where}") from error


def _refuse_repeats(ids: Iterable[str], file: str, table: str) -> None:
    for name, times in Counter(ids).items():
        if times > 1:
            raise ConfigurationError(f"{name} is given {times} times", setting=f"{file}: {table}.id")


def _refuse_strangers(ids: Iterable[str], known: Iterable[str], file: str, key: str) -> None:
    strangers = sorted(set(ids) - set(known))
    if strangers:
        raise ConfigurationError(f"{strangers[0]} is not in the fleet file", setting=f"{file}: {key}")


def _check_shared(units: tuple[FleetUnit, ...], file: str) -> None:
    """Refuse a machine that is not there, or is itself another's."""
    named = {unit.id: unit.compressor.shared_with for unit in units}
    for unit, owner in named.items():
        if owner is None:
            continue
        where = f"{file}: unit {unit}.compressor.shared_with"
        if owner not in named or owner == unit:
            raise ConfigurationError(f"no such other unit: {owner}", setting=where)
        if named[owner] not in {None, unit}:
            raise ConfigurationError(f"{owner} has no machine of its own", setting=where)


def _check_fleet(fleet: FleetFile, file: str) -> None:
    sites, banks = {site.id for site in fleet.site}, {bank.id for bank in fleet.bank}
    for table, entries in (("site", fleet.site), ("bank", fleet.bank), ("unit", fleet.unit)):
        _refuse_repeats((entry.id for entry in entries), file, table)
    for site in fleet.site:
        if site.timezone not in available_timezones():
            raise ConfigurationError(
                f"{site.timezone} is not an IANA time zone", setting=f"{file}: site {site.id}.timezone"
            )
    if not fleet.unit:
        raise ConfigurationError("no unit", setting=f"{file}: unit")
    _check_shared(fleet.unit, file)
    for unit in fleet.unit:
        where = f"{file}: unit {unit.id}"
        if unit.site not in sites:
            raise ConfigurationError(f"no such site: {unit.site}", setting=f"{where}.site")
        if unit.supply.kind == "battery" and unit.supply.bank not in banks:
            raise ConfigurationError(f"no such bank: {unit.supply.bank}", setting=f"{where}.supply.bank")
        if unit.supply.cable_mm2 not in RESISTANCE_OHM_PER_KM:
            raise ConfigurationError("not a standard section", setting=f"{where}.supply.cable_mm2")
        if unit.interval_s < STEP_S or unit.interval_s % STEP_S:
            raise ConfigurationError(f"must be a multiple of {STEP_S}", setting=f"{where}.interval_s")


def _check_step(scenario: Scenario) -> None:
    for unit, _ in scenario.units:
        if unit.interval_s % scenario.step_s:
            raise ConfigurationError(
                f"must be a multiple of the scenario's step_s, {scenario.step_s}",
                setting=f"{scenario.fleet_path.name}: unit {unit.id}.interval_s",
            )


def _check_faults(faults: tuple[Fault, ...], scenario: Scenario) -> None:
    """Refuse faults of units and banks that are not there."""
    units, banks = set(scenario.unit_ids), {bank.id for bank, _ in scenario.banks}
    for k, fault in enumerate(faults):
        where = f"{scenario.path.name}: fault.{k}"
        for key, named, known in (
            ("unit", fault.unit, units),
            ("bank", fault.bank, banks),
            ("other", fault.other, units),
        ):
            if named is not None and named not in known:
                raise ConfigurationError(f"no such {key}: {named}", setting=f"{where}.{key}")
        if fault.other is not None and fault.other == fault.unit:
            raise ConfigurationError("a unit cannot be exchanged with itself", setting=f"{where}.other")
        missing = idle_because(fault, scenario)
        if missing is not None:
            raise ConfigurationError(missing, setting=f"{where}.kind")


def idle_because(fault: Fault, scenario: Scenario) -> str | None:
    """Return what the target of a fault lacks for it: it would be told as truth and never show."""
    unit = next((physics for fleet, physics in scenario.units if fleet.id == fault.unit), None)
    bank = next((physics for fleet, physics in scenario.banks if fleet.id == fault.bank), None)
    if fault.kind == "evaporator_fan_dead" and unit is not None and not unit.evaporator_fan:
        return f"{fault.unit} has no evaporator fan"
    if fault.kind == "condenser_fan_dead" and unit is not None and unit.condenser_cooling != "fan":
        return f"{fault.unit} has no condenser fan"
    if fault.kind.startswith("relay_") and bank is not None and bank.drive != "relay":
        return f"{fault.bank} is not charged through a relay"
    if fault.source == "solar" and bank is not None and bank.panel_wp <= 0.0:
        return f"{fault.bank} has no panel"
    if fault.kind == "switched_off" and unit is not None and not unit.runs:
        return f"{fault.unit} is off all the time"
    return None


def load_scenario(path: Path, *, units: int | None = None) -> Scenario:
    """Return a scenario joined with its fleet file.

    Parameters
    ----------
    path : Path
        The scenario; its fleet file lies beside it.
    units : int or None
        How many units: the scenario with its faults is repeated with spread, or cut.

    Raises
    ------
    ConfigurationError
        Naming the file and the key.
    """
    file = _read(path, ScenarioFile)
    fleet_path = path.parent / file.scenario.fleet
    fleet = _read(fleet_path, FleetFile)
    _check_fleet(fleet, fleet_path.name)
    for table, entries, known in (
        ("site", file.site, fleet.site),
        ("bank", file.bank, fleet.bank),
        ("unit", file.unit, fleet.unit),
    ):
        _refuse_repeats((entry.id for entry in entries), path.name, table)
        _refuse_strangers((e.id for e in entries), (k.id for k in known), path.name, f"{table}.id")
    weather = {entry.id: entry for entry in file.site}
    banks = {entry.id: entry for entry in file.bank}
    physics = {entry.id: entry for entry in file.unit}
    scenario = Scenario(
        name=file.scenario.name,
        about=file.scenario.about,
        days=file.scenario.days,
        ends=file.scenario.ends,
        seed=file.scenario.seed,
        step_s=file.scenario.step_s,
        path=path,
        fleet_path=fleet_path,
        sites=tuple((site, weather.get(site.id, SiteWeather(id=site.id))) for site in fleet.site),
        banks=tuple((bank, banks.get(bank.id, BankPhysics(id=bank.id))) for bank in fleet.bank),
        units=tuple((unit, physics.get(unit.id, UnitPhysics(id=unit.id))) for unit in fleet.unit),
    )
    if file.scenario.units is not None:
        scenario = repeated(scenario, file.scenario.units, mark="")
    _check_step(scenario)
    _check_faults(file.fault, scenario)
    scenario = replace(scenario, faults=file.fault)
    return scenario if units is None else repeated(scenario, units, mark="x")
