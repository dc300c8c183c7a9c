"""A simulated year of a fleet as back-tests of findings read it: days, repairs, faults, food at risk."""

import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal, TypeVar

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

Given = TypeVar("Given")
Made = TypeVar("Made")

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

AFTER_MS = 3 * DAY_MS
"""So long after a fault of any kind food may still be warm from it."""


@dataclass(frozen=True)
class Fault:
    """One fault on one unit, or on the bank that feeds it."""

    kind: str
    on: str
    """The unit, or the bank that feeds it."""
    begins_ms: int
    ends_ms: int | None
    at_risk_ms: int | None
    """When food was first above its limit, for longer than ever without a fault; None where it never was."""
    hot_day: int | Literal["never", "always"] | None = None
    """From when on its food would have been at risk on a design hot day [ms]; None where the plant was not
    asked."""


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


def read_year(folder: Path, *, say: Callable[[str], None] = lambda _: None, processes: int = 1) -> Year:
    """Return a year written by `simulate_year` or `bushlarder simulate fleet_year --to`, its days worked out.

    Parameters
    ----------
    folder : Path
        Logs, fleet file and truth.
    say : callable
        Told in words how far it is.
    processes : int
        How many read units side by side.

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
    tasks = []
    for unit in fleet.units:
        near = next((mate for mate in air.get(unit.site or "", ()) if mate != unit.id), None)
        settings = fleet.settings_of(unit.id)
        tasks.append(_Task(folder, settings, near, _faults(truth, unit.id, settings), start_ms, end_ms))
    units = []
    for one in in_processes(_unit_year, tasks, processes):
        if one is not None:
            units.append(one)
            say(f"{one.unit}: {len(one.table)} days")
    return Year(int(truth["seed"]), start_ms, end_ms, tuple(units))


@dataclass(frozen=True)
class _Task:
    """One unit whose year is to be read."""

    folder: Path
    settings: UnitSettings
    near: str | None
    """A unit of its site that measures the air."""
    faults: tuple[Fault, ...]
    start_ms: int
    end_ms: int


def _unit_year(task: _Task) -> UnitYear | None:
    """Return one unit's year; None where it was never heard."""
    unit, start_ms, end_ms = task.settings.unit.id, task.start_ms, task.end_ms
    series = read_series(task.folder / f"{unit}.parquet")
    if not len(series):
        return None
    near = None
    if task.near is not None and not series.has("ambient_c"):
        near = read_series(task.folder / f"{task.near}.parquet")
    table = health_days(series, task.settings, from_ms=start_ms, to_ms=end_ms, neighbour=near)
    looks = looks_of(series, task.settings, start_ms=start_ms, end_ms=end_ms)
    return UnitYear(unit, task.settings, table, _marks(task.faults), task.faults, looks)


def in_processes(make: Callable[[Given], Made], tasks: Sequence[Given], processes: int) -> Iterator[Made]:
    """Yield what is made of each task, in order; in this process where one is enough."""
    if processes == 1:
        yield from map(make, tasks)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(make, tasks)


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
    return tuple(
        ServiceMark(at=fault.ends_ms, kind="service", words=fault.kind)
        for fault in faults
        if fault.ends_ms is not None and fault.kind in MENDED
    )


def _faults(truth: dict[str, Any], unit: str, settings: UnitSettings) -> tuple[Fault, ...]:
    bank = settings.bank.id if settings.bank is not None else None
    own = [told for told in truth["faults"] if told["on"] in {unit, bank} or told["other"] == unit]
    spans = [(ms_of_iso(told["begins"]), _ends_ms(told)) for told in own]
    warm = warm_spells(truth["units"][unit], limits_of(settings).food_limit_c)
    usual_ms = longest_without(warm, spans)
    found = []
    for told, (begins_ms, ends_ms) in zip(own, spans, strict=True):
        risk_ms = next(
            (
                low
                for low, high in warm
                if high - low > usual_ms and begins_ms <= low and (ends_ms is None or low <= ends_ms)
            ),
            None,
        )
        found.append(Fault(told["kind"], told["on"], begins_ms, ends_ms, risk_ms, _hot_day(told)))
    return tuple(found)


def _ends_ms(told: dict[str, Any]) -> int | None:
    return None if told["ends"] is None else ms_of_iso(told["ends"])


def _hot_day(told: dict[str, Any]) -> int | Literal["never", "always"] | None:
    said = told.get("hot_day")
    return said if said in {None, "never", "always"} else ms_of_iso(said)


def warm_spells(told: dict[str, Any], limit_c: float) -> list[tuple[int, int]]:
    """Return when a unit's food was above its limit, or above the next line that the truth keeps [ms]."""
    lines = told["above"]["food_c"]
    kept = sorted(float(line) for line in lines)
    line = next((each for each in kept if each >= limit_c), kept[-1])
    return [(low, high) for low, high in lines[str(line)]["episodes_ms"]]


def longest_without(warm: Sequence[tuple[int, int]], faults: Sequence[tuple[int, int | None]]) -> int:
    """Return the longest warm spell that no fault, begun or just over, has to do with [ms]."""
    return max(
        (
            high - low
            for low, high in warm
            if not any(high >= begins and (ends is None or low <= ends + AFTER_MS) for begins, ends in faults)
        ),
        default=0,
    )
