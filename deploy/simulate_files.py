"""Writes a simulated stretch of time to a folder: a log for every unit, its unit file, and the truth."""

import json
import math
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from deploy.simulate_units import fleet_tables, fleet_toml, unit_toml
from firmware_sim.branches import RunOut, Taken, run_outs
from firmware_sim.history import Block, Simulator, read_by, sampled_rows
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.sensors import COLUMN_OF
from firmware_sim.truth import Truth
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, iso_of

FLUSH_MS = 7 * DAY_MS
"""How much simulated time is gathered before files are written on."""

BOOLEAN_COLUMNS = frozenset({"compressor_on", "lid_open"})

RUN_OUTS = 56
"""How many instants are looked at for their true run-out where nobody says how often, about."""

WANT_OF_CHARGE = frozenset({"low_voltage", "no_supply"})
"""Kinds of stop that end a run on a bank."""

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Written:
    """What was written."""

    folder: Path
    units: int
    rows: int
    parquet: bool
    """False where pyarrow is not installed."""


class _Log:
    """One unit's log, written on bit by bit."""

    def __init__(self, folder: Path, unit: str, columns: tuple[str, ...], stack: ExitStack) -> None:
        self._file = stack.enter_context((folder / f"{unit}.csv").open("w", encoding="utf-8", newline=""))
        self._columns = columns
        self._file.write(",".join(("time", *columns)) + "\n")
        self._parts: list[tuple[IntArray, FloatArray]] = []
        self._parquet = _Parquet(folder / f"{unit}.parquet", columns, stack) if has_parquet() else None
        self.rows = 0

    def take(self, t_ms: IntArray, values: FloatArray) -> None:
        self._parts.append((t_ms, values))

    def flush(self) -> None:
        if not self._parts:
            return
        t_ms = np.concatenate([part[0] for part in self._parts])
        values = np.concatenate([part[1] for part in self._parts])
        self._parts.clear()
        frame = pd.DataFrame({"time": np.datetime_as_string(t_ms.astype("M8[ms]"), unit="s", timezone="UTC")})
        for k, column in enumerate(self._columns):
            frame[column] = values[:, k]
            if column in BOOLEAN_COLUMNS:
                frame[column] = frame[column].astype("Int8")
        frame.to_csv(self._file, header=False, index=False, lineterminator="\n")
        if self._parquet is not None:
            self._parquet.write(t_ms, values)
        self.rows += t_ms.size


class _Parquet:
    """The same log for column stores."""

    def __init__(self, path: Path, columns: tuple[str, ...], stack: ExitStack) -> None:
        import pyarrow as pa  # noqa: PLC0415 - an extra: only where it is installed
        from pyarrow import parquet  # noqa: PLC0415

        self._arrow = pa
        types = [pa.bool_() if column in BOOLEAN_COLUMNS else pa.float64() for column in columns]
        self._schema = pa.schema(
            [
                ("time", pa.timestamp("ms", tz="UTC")),
                *zip(columns, types, strict=True),
            ]
        )
        self._writer = stack.enter_context(parquet.ParquetWriter(path, self._schema))

    def write(self, t_ms: IntArray, values: FloatArray) -> None:
        missing = np.isnan(values)
        arrays = [self._arrow.array(t_ms, type=self._schema.field(0).type)]
        for k, field in enumerate(list(self._schema)[1:]):
            column = values[:, k].astype(bool) if field.type == self._arrow.bool_() else values[:, k]
            arrays.append(self._arrow.array(column, mask=missing[:, k], type=field.type))
        self._writer.write_table(self._arrow.Table.from_arrays(arrays, schema=self._schema))


def has_parquet() -> bool:
    """Tell whether Parquet can be written."""
    return find_spec("pyarrow") is not None


def run_out_every_ms(length_ms: int, asked_h: float | None) -> int:
    """Return how far apart the instants are whose true run-out is looked for: whole six hours by default."""
    if asked_h is not None:
        return round(asked_h * HOUR_MS)
    return 6 * HOUR_MS * max(1, math.ceil(length_ms / (6 * HOUR_MS * RUN_OUTS)))


def _pieces(start_ms: int, end_ms: int, every_ms: int) -> Iterator[tuple[int, bool]]:
    """Return where to pause, and whether to remember the state there."""
    instants = {t for t in range(-(-start_ms // every_ms) * every_ms, end_ms, every_ms) if t > start_ms}
    flushes = set(range(start_ms + FLUSH_MS, end_ms, FLUSH_MS))
    for t_ms in sorted(instants | flushes | {end_ms}):
        yield t_ms, t_ms in instants


def write_files(
    scenario: Scenario,
    folder: Path,
    *,
    start_ms: int,
    end_ms: int,
    run_out_every_h: float | None = None,
    say: Progress = lambda _: None,
) -> Written:
    """Simulate a stretch of time and write logs, unit files, fleet file and truth.

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    folder : Path
        Made where it is not there.
    start_ms, end_ms : int
        The scenario's history meets the present at the end. [ms]
    run_out_every_h : float or None
        How far apart the instants are from which the true run-out is told; 0 tells none. [h]
    say : callable
        Told in words how far it is.

    Returns
    -------
    Written
    """
    folder.mkdir(parents=True, exist_ok=True)
    simulator = Simulator(scenario, anchor_ms=end_ms, start_ms=start_ms)
    truth = Truth(scenario, start_ms=simulator.reached_ms)
    every_ms = run_out_every_ms(end_ms - start_ms, run_out_every_h or None)
    taken: list[Taken] = []
    with ExitStack() as stack:
        logs = {
            i: _Log(folder, unit.id, tuple(COLUMN_OF[name] for name in physics.channels), stack)
            for i, (unit, physics) in enumerate(scenario.units)
            if physics.runs
        }
        for until_ms, remembered in _pieces(simulator.reached_ms, end_ms, every_ms):
            for block in simulator.blocks(until_ms):
                truth.take(block)
                _log(scenario, block, logs)
            if remembered and run_out_every_h != 0:
                taken.append(Taken.of(simulator.reached_ms, simulator.state))
            for log in logs.values():
                log.flush()
            say(f"simulated until {iso_of(simulator.reached_ms)}")
    say(f"run-out from {len(taken)} instants")
    told = truth.told(simulator.faults.told())
    _add_run_outs(told, scenario, run_outs(scenario, taken, anchor_ms=end_ms))
    (folder / "truth.json").write_text(json.dumps(told, allow_nan=False) + "\n", encoding="utf-8")
    _write_settings(scenario, folder)
    rows = sum(log.rows for log in logs.values())
    return Written(folder, len(logs), rows, has_parquet())


def _log(scenario: Scenario, block: Block, logs: dict[int, _Log]) -> None:
    shown = {column: read_by(block, column) for column in {COLUMN_OF[n] for n in _channels(scenario)}}
    for i, log in logs.items():
        unit, physics = scenario.units[i]
        rows = sampled_rows(block.t_ms, interval_s=unit.interval_s, phase_s=physics.phase_s)
        values = np.stack([shown[COLUMN_OF[name]][rows, i] for name in physics.channels], axis=1)
        measured = ~np.isnan(values).all(axis=1)
        if measured.any():
            log.take(block.t_ms[rows][measured], values[measured])


def _channels(scenario: Scenario) -> set[str]:
    return {name for _, physics in scenario.units for name in physics.channels}


def _add_run_outs(told: dict[str, Any], scenario: Scenario, found: list[RunOut]) -> None:
    """Say for every unit how long it lasts from each instant on, as it happened and without any charging."""
    for i, (unit, _) in enumerate(scenario.units):
        entry = told["units"][unit.id]
        starts_ms = [stop_ms for kind, stop_ms in _stop_starts(entry) if kind in WANT_OF_CHARGE]
        entry["run_out"] = {
            "at": [iso_of(one.t_ms) for one in found],
            "hours_as_it_happened": [_next_h(starts_ms, one.t_ms) for one in found],
            "hours_without_charging": [_finite(float(one.stops_h[i])) for one in found],
            "food_at_risk_hours_without_charging": {
                str(limit): [_finite(float(one.risk_h[limit][i])) for one in found]
                for limit in (found[0].risk_h if found else ())
                if limit in map(float, entry["food_at_risk"])
            },
        }


def _stop_starts(entry: dict[str, Any]) -> Iterator[tuple[str, int]]:
    for stop in entry["stops"]:
        yield stop["kind"], round(pd.Timestamp(stop["start"]).timestamp() * 1000)


def _next_h(starts_ms: list[int], t_ms: int) -> float | None:
    """Return hours to the next stop; None when none comes in the run."""
    later = [start for start in starts_ms if start >= t_ms]
    return (min(later) - t_ms) / HOUR_MS if later else None


def _finite(hours: float) -> float | None:
    return round(hours, 4) if math.isfinite(hours) else None


def _write_settings(scenario: Scenario, folder: Path) -> None:
    tables = fleet_tables(scenario)
    (folder / "fleet.toml").write_text(fleet_toml(tables), encoding="utf-8")
    for unit in scenario.unit_ids:
        (folder / f"{unit}.toml").write_text(unit_toml(tables, unit), encoding="utf-8")
