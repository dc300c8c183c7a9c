"""A simulated year of a fleet as back-tests of findings read it: days, repairs, faults, food at risk."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyarrow import parquet

from services.analytics.assess import HISTORY_MS
from services.analytics.food.rules import limits_of
from services.analytics.power.assess import power
from services.analytics.quality import merged
from services.analytics.service.health import health_days
from services.domain import Finding, Fleet, HealthTable, ServiceMark, UnitSettings
from services.domain.fleetfile import parse_fleet
from services.errors import ConfigurationError
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, ms_of_iso, utc_day_start_ms

ARRIVAL = ("bid", "sq", "tq", "received")

MENDED = frozenset(
    {
        "refrigerant_leak",
        "dusty_condenser",
        "condenser_fan_dead",
        "evaporator_fan_dead",
        "frosted_evaporator",
        "worn_gasket",
        "wet_foam",
        "weak_compressor",
        "compressor_stalled",
        "blocked_niche",
        "thermostat_offset",
        "weak_battery",
        "sulphated_bank",
        "failed_charger",
        "relay_stuck_open",
        "relay_stuck_closed",
        "half_tapped",
        "corroded_joint",
        "undersized_cable",
        "sensor_stuck",
        "sensor_drift",
        "sensor_open",
        "sensor_noise",
        "voltage_stuck",
        "voltage_scaled",
        "swapped_identity",
        "gateway_brownout",
    }
)
"""Faults whose end is somebody's work, written down that day; the others pass or are undone unasked."""

AT_RISK_MIN = 60.0
"""Minutes of food above its limit on a day, beyond the worst of the month before, that count as at risk."""
MONTH_D = 30


@dataclass(frozen=True)
class Fault:
    """One fault on one unit, or on the bank that feeds it."""

    kind: str
    on: str
    """The unit, or the bank that feeds it."""
    begins_ms: int
    ends_ms: int | None
    at_risk_ms: int | None
    """First day on which it put food at risk; None where it never did."""


@dataclass(frozen=True)
class Look:
    """What was found in the samples up to a moment, as far back as the service looks."""

    at_ms: int
    found: tuple[Finding, ...]


@dataclass(frozen=True)
class UnitYear:
    """One unit's year."""

    unit: str
    settings: UnitSettings
    table: HealthTable
    marks: tuple[ServiceMark, ...]
    faults: tuple[Fault, ...]
    looks: tuple[Look, ...] = ()


@dataclass(frozen=True)
class Year:
    """A fleet's year."""

    seed: int
    start_ms: int
    end_ms: int
    units: tuple[UnitYear, ...]


def read_year(folder: Path, *, say: Callable[[str], None] = lambda _: None) -> Year:
    """Return a year written by `bushlarder simulate fleet_year --to`, its days worked out.

    Raises
    ------
    ConfigurationError
        If the folder holds no such year.
    """
    try:
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        fleet = parse_fleet((folder / "fleet.toml").read_text(encoding="utf-8"), name="fleet.toml")
    except OSError as error:
        raise ConfigurationError(f"no simulated year here: {error.strerror}", setting=str(folder)) from error
    start_ms, end_ms = utc_day_start_ms(ms_of_iso(truth["from"])), utc_day_start_ms(ms_of_iso(truth["to"]))
    air = _measuring_air(folder, fleet)
    units = []
    for unit in fleet.units:
        series = read_series(folder / f"{unit.id}.parquet")
        if not len(series):
            continue
        other = next((mate for mate in air.get(unit.site or "", ()) if mate != unit.id), None)
        near = None
        if other is not None and not series.has("ambient_c"):
            near = read_series(folder / f"{other}.parquet")
        settings = fleet.settings_of(unit.id)
        table = health_days(series, settings, from_ms=start_ms, to_ms=end_ms, neighbour=near)
        faults = _faults(truth, unit.id, settings, start_ms)
        looks = looks_of(series, settings, start_ms=start_ms, end_ms=end_ms)
        units.append(UnitYear(unit.id, settings, table, _marks(faults), faults, looks))
        say(f"{unit.id}: {len(table)} days")
    return Year(int(truth["seed"]), start_ms, end_ms, tuple(units))


def looks_of(series: Series, settings: UnitSettings, *, start_ms: int, end_ms: int) -> tuple[Look, ...]:
    """Return findings from the samples of a week as of every seventh midnight: no sample is left out.

    The service looks all the time; here what it tells comes up to a week later than it would there.
    """
    whole, limit_c = merged(series)[0], limits_of(settings).food_limit_c
    looks = []
    for at_ms in range(start_ms + HISTORY_MS, end_ms + 1, HISTORY_MS):
        week = whole.between(at_ms - HISTORY_MS, at_ms)
        result = power(week, settings, as_of_ms=at_ms, food_limit_c=limit_c)
        looks.append(Look(at_ms, result.findings or ()))
    return tuple(looks)


def read_series(path: Path) -> Series:
    """Return a log in order of time; of samples without a trusted clock nothing is kept."""
    table = parquet.read_table(path)
    t_ms: IntArray = table["time"].cast("int64").to_numpy().astype(np.int64)
    kept = np.ones(t_ms.shape, dtype=np.bool_)
    if "tq" in table.column_names:
        kept = table["tq"].to_numpy() > 0
    order = np.argsort(t_ms[kept], kind="stable")
    columns: dict[str, FloatArray] = {
        name: table[name].cast("float64").to_numpy(zero_copy_only=False)[kept][order]
        for name in table.column_names
        if name != "time" and name not in ARRIVAL
    }
    return Series(t_ms[kept][order], columns)


def _measuring_air(folder: Path, fleet: Fleet) -> dict[str, list[str]]:
    """Return which units of a site measure the air around them."""
    found: dict[str, list[str]] = {}
    for unit in fleet.units:
        path = folder / f"{unit.id}.parquet"
        if unit.site is not None and "ambient_c" in parquet.read_schema(path).names:
            found.setdefault(unit.site, []).append(unit.id)
    return found


def _marks(faults: Sequence[Fault]) -> tuple[ServiceMark, ...]:
    ended = [fault for fault in faults if fault.ends_ms is not None and fault.kind in MENDED]
    return tuple(ServiceMark(at=f.ends_ms or 0, kind="service", words=f.kind) for f in ended)


def _faults(truth: dict[str, Any], unit: str, settings: UnitSettings, start_ms: int) -> tuple[Fault, ...]:
    bank = settings.bank.id if settings.bank is not None else None
    minutes = _minutes_at_risk(truth["units"][unit], settings)
    found = []
    for told in truth["faults"]:
        if told["on"] not in {unit, bank} and told["other"] != unit:
            continue
        begins_ms = ms_of_iso(told["begins"])
        ends_ms = None if told["ends"] is None else ms_of_iso(told["ends"])
        day = _first_at_risk(minutes, (begins_ms - start_ms) // DAY_MS, ends_ms, start_ms)
        at_risk_ms = None if day is None else start_ms + day * DAY_MS
        found.append(Fault(told["kind"], told["on"], begins_ms, ends_ms, at_risk_ms))
    return tuple(found)


def _minutes_at_risk(told: dict[str, Any], settings: UnitSettings) -> FloatArray:
    """Return minutes a day of the food above its limit, or above the next line that the truth keeps."""
    lines = told["above"]["food_c"]
    limit_c = limits_of(settings).food_limit_c
    kept = sorted(float(line) for line in lines)
    line = next((each for each in kept if each >= limit_c), kept[-1])
    return np.array(lines[str(line)]["minutes_by_day"], dtype=np.float64)


def _first_at_risk(minutes: FloatArray, begins: int, ends_ms: int | None, start_ms: int) -> int | None:
    """Return the first day from a fault's begin to its end that is clearly worse than the month before."""
    before = minutes[max(0, begins - MONTH_D) : begins]
    usual = float(before.max()) if before.size else 0.0
    last = minutes.size if ends_ms is None else min(minutes.size, (ends_ms - start_ms) // DAY_MS + 1)
    worse = np.flatnonzero(minutes[begins:last] > usual + AT_RISK_MIN)
    return begins + int(worse[0]) if worse.size else None
