"""Repeats a scenario's fleet until there are as many units as wanted, each a little different."""

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TypeVar

import numpy as np
from pydantic import BaseModel

from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import (
    STEP_S,
    BankPhysics,
    Fault,
    FleetCompressor,
    FleetUnit,
    SiteWeather,
    UnitPhysics,
)
from services.errors import ConfigurationError

Table = TypeVar("Table", bound=BaseModel)

LONGEST_ID = 32

_SALT = 5
"""Keeps this generator apart from those of weather, use and sensors."""

UNIT_SPREAD: Mapping[str, float] = {
    "shell_w_per_k": 0.08,
    "liner_kj_per_k": 0.08,
    "contact_w_per_k": 0.15,
    "food_kg": 0.25,
    "cooling_w": 0.05,
    "in_sun_k": 0.3,
    "joint_mohm": 0.3,
    "opening_w_per_k": 0.2,
}
"""Standard deviations of the logarithm from one copy to the next. Judgement, no source."""

BANK_SPREAD: Mapping[str, float] = {"health": 0.06, "drive_a": 0.15, "mains_a": 0.15, "panel_wp": 0.1}
"""The same for banks."""

SITE_SPREAD_K = 1.0
"""How much the climate differs from copy to copy."""

FAULT_SHIFT = 0.3
"""How much earlier or later, as a share of the time before the present, a copy's fault begins."""


def repeated(
    scenario: Scenario, units: int, *, mark: str, spread: bool = True, check: bool = True
) -> Scenario:
    """Return a scenario with exactly so many units.

    Parameters
    ----------
    scenario : Scenario
        The first copy stays as it is.
    units : int
        At least 1. With fewer than there are, the first ones remain.
    mark : str
        Copies are called after the original, with ``-``, this mark and their number from 2 on.
    spread : bool
        False: copies are exact, faults as well.
    check : bool
        False: ids may be of any length; nobody sees them.

    Raises
    ------
    ConfigurationError
        If a copy's id would be too long, or is another's already.
    """
    parts = [
        _copy(scenario, f"-{mark}{k}", number=k, spread=spread, check=check)
        if k > 1
        else _with_origin(scenario)
        for k in range(1, math.ceil(units / len(scenario.units)) + 1)
    ]
    _refuse_doubles(scenario, parts)
    left = units - len(scenario.units) * (len(parts) - 1)
    parts[-1] = _cut(parts[-1], left)
    return replace(
        scenario,
        sites=tuple(pair for part in parts for pair in part.sites),
        banks=tuple(pair for part in parts for pair in part.banks),
        units=tuple(pair for part in parts for pair in part.units),
        faults=tuple(fault for part in parts for fault in part.faults),
        origin={
            table: {new: old for part in parts for new, old in part.origin[table].items()}
            for table in ("site", "bank", "unit")
        },
    )


def _refuse_doubles(scenario: Scenario, parts: list[Scenario]) -> None:
    for table in ("site", "bank", "unit"):
        names = Counter(name for part in parts for name in part.origin[table])
        double = next((name for name, times in names.items() if times > 1), None)
        if double is not None:
            raise ConfigurationError(
                f"a copy would be called {double}, which is there already",
                setting=f"{scenario.path.name}: units",
            )


def _with_origin(scenario: Scenario) -> Scenario:
    if scenario.origin:
        return scenario
    return replace(
        scenario,
        origin={
            "site": {site.id: site.id for site, _ in scenario.sites},
            "bank": {bank.id: bank.id for bank, _ in scenario.banks},
            "unit": {unit: unit for unit in scenario.unit_ids},
        },
    )


def _cut(scenario: Scenario, units: int) -> Scenario:
    """Keep the first units, and what they need."""
    if units == len(scenario.units):
        return scenario
    ids = {unit.id for unit, _ in scenario.units[:units]}
    kept = tuple((_alone(unit, ids), physics) for unit, physics in scenario.units[:units])
    sites = {unit.site for unit, _ in kept}
    banks = {unit.supply.bank for unit, _ in kept} - {None}
    return replace(
        scenario,
        sites=tuple(pair for pair in scenario.sites if pair[0].id in sites),
        banks=tuple(pair for pair in scenario.banks if pair[0].id in banks),
        units=kept,
        faults=tuple(
            fault
            for fault in scenario.faults
            if (fault.unit in ids or fault.bank in banks) and (fault.other is None or fault.other in ids)
        ),
        origin={
            "site": {new: old for new, old in scenario.origin["site"].items() if new in sites},
            "bank": {new: old for new, old in scenario.origin["bank"].items() if new in banks},
            "unit": {new: old for new, old in scenario.origin["unit"].items() if new in ids},
        },
    )


def _copy(scenario: Scenario, ending: str, *, number: int, spread: bool, check: bool) -> Scenario:
    def named(name: str) -> str:
        if check and len(name + ending) > LONGEST_ID:
            raise ConfigurationError(
                f"{name + ending} is longer than {LONGEST_ID} characters",
                setting=f"{scenario.path.name}: units",
            )
        return name + ending

    rng = np.random.default_rng((scenario.seed, _SALT, number)) if spread else None
    first = _with_origin(scenario)
    return replace(
        scenario,
        sites=tuple((_set(a, id=named(a.id)), _site(b, named(b.id), rng)) for a, b in scenario.sites),
        banks=tuple((_set(a, id=named(a.id)), _bank(b, named(b.id), rng)) for a, b in scenario.banks),
        units=tuple(
            (
                _set(
                    a,
                    id=named(a.id),
                    site=named(a.site),
                    supply=_set(a.supply, bank=None if a.supply.bank is None else named(a.supply.bank)),
                    compressor=_compressor(a.compressor, named),
                ),
                _unit(b, named(b.id), a.interval_s, rng),
            )
            for a, b in scenario.units
        ),
        faults=tuple(_fault(fault, named, rng) for fault in scenario.faults),
        origin={
            table: {named(new): old for new, old in names.items()} for table, names in first.origin.items()
        },
    )


def _set(table: Table, **values: object) -> Table:
    return table.model_copy(update=values)


def _compressor(compressor: FleetCompressor, named: Callable[[str], str]) -> FleetCompressor:
    shared = compressor.shared_with
    return compressor if shared is None else _set(compressor, shared_with=named(shared))


def _alone(unit: FleetUnit, kept: set[str]) -> FleetUnit:
    """Give a unit a machine of its own where the one it shared is cut away."""
    if unit.compressor.shared_with in kept:
        return unit
    return _set(unit, compressor=_set(unit.compressor, shared_with=None))


def _varied(table: BaseModel, spread: Mapping[str, float], rng: np.random.Generator) -> dict[str, object]:
    """Return new values; a draw is made for every name, so that a missing one changes no other."""
    values: dict[str, object] = {}
    for name, width in spread.items():
        factor = float(np.exp(width * np.clip(rng.normal(), -2.0, 2.0)))
        value = getattr(table, name, None)
        if value is not None:
            values[name] = value * factor
    return values


def _site(weather: SiteWeather, name: str, rng: np.random.Generator | None) -> SiteWeather:
    if rng is None:
        return _set(weather, id=name)
    night_k, day_k = SITE_SPREAD_K * np.clip(rng.normal(size=2), -2.0, 2.0)
    return _set(
        weather, id=name, night_c=weather.night_c + float(night_k), day_c=weather.day_c + float(day_k)
    )


def _bank(bank: BankPhysics, name: str, rng: np.random.Generator | None) -> BankPhysics:
    if rng is None:
        return _set(bank, id=name)
    values = _varied(bank, BANK_SPREAD, rng)
    values["health"] = min(float(str(values["health"])), 1.1)
    return _set(bank, id=name, start_soc=float(rng.uniform(0.7, 1.0)), **values)


def _unit(unit: UnitPhysics, name: str, interval_s: int, rng: np.random.Generator | None) -> UnitPhysics:
    if rng is None:
        return _set(unit, id=name)
    phase_s = STEP_S * int(rng.integers(0, interval_s // STEP_S))
    return _set(unit, id=name, phase_s=phase_s, **_varied(unit, UNIT_SPREAD, rng))


def _fault(fault: Fault, named: Callable[[str], str], rng: np.random.Generator | None) -> Fault:
    names = {key: getattr(fault, key) for key in ("unit", "bank", "other")}
    values: dict[str, object] = {key: None if name is None else named(name) for key, name in names.items()}
    if rng is not None:
        later = 1.0 + FAULT_SHIFT * float(rng.uniform(-1.0, 1.0))
        values |= {"begins_h_before": fault.before_h * later, "begins_d_before": None}
    return _set(fault, **values)
