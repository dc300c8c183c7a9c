"""Runs the physics over time and reads it through the units' sensors; also tells the truth behind them."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import NEVER_MS, Faults, Multipliers
from firmware_sim.plant.forcing import STEPS_A_DAY, Forcing, Outside
from firmware_sim.plant.plant import Plant, State
from firmware_sim.plant.state import Step
from firmware_sim.scenarios.load import Scenario, load_scenario
from firmware_sim.scenarios.model import STEP_S
from firmware_sim.sensors import COLUMN_OF, cabinet_read_by, shown
from firmware_sim.use import Loads, Use
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, SECOND_MS

STEP_MS = STEP_S * SECOND_MS

BLOCK_STEPS = 360
"""Steps computed before anything is handed on: two hours."""

PER_BANK = frozenset({"bank_v", "soc", "bank_a", "source"})
"""What a step shows for every bank."""

PER_UNIT = tuple(entry.name for entry in fields(Step) if entry.name not in PER_BANK)
"""What a step shows for every unit."""


@dataclass(frozen=True)
class Block:
    """Some steps of everything, a row for each step end."""

    t_ms: IntArray
    true: Mapping[str, npt.NDArray[Any]]
    """(steps, units) by name: `PER_UNIT`, `PER_BANK` as each unit's bank has it (NaN without one),
    outside_c, lid_open and load_kg."""
    noise: Mapping[str, FloatArray]
    """(steps, units) by column."""
    faults: Multipliers = field(default_factory=dict)
    """What faults move, the same for the whole block."""


def measured(block: Block, column: str) -> FloatArray:
    """Return what the units' sensors show, (steps, units); NaN where one does not answer."""
    return shown(column, block.true, block.noise, block.faults)


def read_by(block: Block, column: str) -> FloatArray:
    """Return what the units' boards read: of another cabinet after an exchange, nothing without power."""
    readings = measured(block, column)
    if "reports_as" in block.faults:
        readings = readings[:, cabinet_read_by(block.faults, readings.shape[1])]
    alive = block.true.get("alive")
    return readings if alive is None else np.where(alive, readings, np.nan)


class Simulator:
    """The plant with the world around it, moved forward on a grid of whole steps."""

    def __init__(
        self, scenario: Scenario, *, anchor_ms: int, start_ms: int, state: State | None = None
    ) -> None:
        self.scenario = scenario
        self.plant = Plant(scenario)
        self.state = self.plant.start() if state is None else state
        self.reached_ms = start_ms - start_ms % STEP_MS
        self.faults = Faults(scenario, anchor_ms=anchor_ms)
        self._moved: Multipliers = {}
        self._next_change_ms = self.reached_ms if scenario.faults else NEVER_MS
        self._outside = Outside(scenario, anchor_ms=anchor_ms)
        self._use = Use(scenario, anchor_ms=anchor_ms)
        self._loads: tuple[int, Loads | None, Mapping[int, npt.NDArray[np.bool_]]] = (-1, None, {})
        self._opening = np.array([physics.opening_w_per_k for _, physics in scenario.units])
        self._bank_of = [
            next((k for k, (b, _) in enumerate(scenario.banks) if b.id == unit.supply.bank), -1)
            if unit.supply.kind == "battery"
            else -1
            for unit, _ in scenario.units
        ]

    def blocks(self, until_ms: int) -> Iterator[Block]:
        """Move on until no whole step is left before `until_ms`, handing on what was passed."""
        while self.reached_ms + STEP_MS <= until_ms:
            day, row = divmod(self.reached_ms // STEP_MS, STEPS_A_DAY)
            self._apply_faults()
            left = (min(until_ms, self._next_change_ms) - self.reached_ms) // STEP_MS
            yield self._block(int(day), int(row), int(min(left, BLOCK_STEPS, STEPS_A_DAY - row)))

    def _apply_faults(self) -> None:
        """Hand the faults' parameters on where any moves at this moment."""
        if self.reached_ms < self._next_change_ms:
            return
        self._moved = self.faults.multipliers(self.reached_ms)
        self._next_change_ms = self.faults.next_change_ms(self.reached_ms)
        self.plant.apply(self._moved)
        self.plant.electrics.set_faults(self._moved)

    def _used(self, day: int) -> tuple[Loads | None, Mapping[int, npt.NDArray[np.bool_]]]:
        if self._loads[0] != day:
            self._loads = (day, self._use.loads(day), self._use.scraped(day))
        return self._loads[1:]

    def _lids(self, forcing: Forcing, loads: Loads | None, rows: slice) -> tuple[FloatArray, FloatArray]:
        """Return heat let in by lids and the share they stand open, for some steps."""
        lid, share = forcing.lid_w_per_k[rows], forcing.lid_share[rows]
        if loads is not None:
            lid = np.maximum(lid, self._opening * loads.lid_share[rows])
            share = np.maximum(share, loads.lid_share[rows])
        if "lid_added_w_per_k" in self._moved:
            lid = lid + self._moved["lid_added_w_per_k"]
        return lid, share

    def _block(self, day: int, row: int, steps: int) -> Block:
        forcing, (loads, scraped) = self._outside.day(day), self._used(day)
        rows = slice(row, row + steps)
        lid, share = self._lids(forcing, loads, rows)
        steps_shown = [
            self.plant.advance(
                self.state,
                forcing.outside_c[r],
                lid[r - row],
                forcing.inputs(r),
                lid_share=share[r - row],
                vapour_kg_per_kg=forcing.vapour_kg_per_kg[r],
                load_kg=None if loads is None else loads.kg[r],
                load_c=None if loads is None else loads.warm_c[r],
                defrost=scraped.get(r),
            )
            for r in range(row, row + steps)
        ]
        true: dict[str, npt.NDArray[Any]] = {
            name: np.stack([getattr(step, name) for step in steps_shown]) for name in PER_UNIT
        }
        for name in PER_BANK:
            padded = np.full((steps, len(self.scenario.banks) + 1), np.nan)
            padded[:, :-1] = np.stack([getattr(step, name) for step in steps_shown])
            true[name] = padded[:, self._bank_of]
        true["outside_c"] = forcing.outside_c[rows]
        true["lid_open"] = lid > 0.0
        true["load_kg"] = np.zeros_like(true["air_c"]) if loads is None else loads.kg[rows]
        t_ms = self.reached_ms + STEP_MS * np.arange(1, steps + 1, dtype=np.int64)
        self.reached_ms = int(t_ms[-1])
        noise = {name: values[rows] for name, values in forcing.noise.items()}
        return Block(t_ms, true, noise, self._moved)


def sampled_rows(t_ms: IntArray, *, interval_s: int, phase_s: int) -> IntArray:
    """Return the rows at which a unit samples: whole intervals since the epoch, plus its phase."""
    rows: IntArray = np.flatnonzero((t_ms // SECOND_MS - phase_s) % interval_s == 0)
    return rows


@dataclass(frozen=True)
class History:
    """A stretch of simulated time: what the units measured, and what was really so."""

    t_ms: IntArray
    """Ends of the steps."""
    units: tuple[str, ...]
    measured: Mapping[str, Series]
    """By unit, as it would reach the service."""
    true: Mapping[str, npt.NDArray[Any]]
    """See `Block.true`."""

    def true_of(self, unit: str, name: str) -> npt.NDArray[Any]:
        """Return one true quantity of one unit at `t_ms`."""
        column: npt.NDArray[Any] = self.true[name][:, self.units.index(unit)]
        return column


def _series(scenario: Scenario, blocks: list[Block]) -> dict[str, Series]:
    times: IntArray = np.concatenate([block.t_ms for block in blocks])
    columns = sorted({COLUMN_OF[name] for _, physics in scenario.units for name in physics.channels})
    readings = {column: np.concatenate([read_by(block, column) for block in blocks]) for column in columns}
    series = {}
    for i, (unit, physics) in enumerate(scenario.units):
        if not physics.runs:
            series[unit.id] = Series.empty()
            continue
        rows = sampled_rows(times, interval_s=unit.interval_s, phase_s=physics.phase_s)
        own = {COLUMN_OF[name]: readings[COLUMN_OF[name]][rows, i] for name in physics.channels}
        told = ~np.isnan(np.stack(list(own.values()))).all(axis=0)
        series[unit.id] = Series(times[rows][told], {name: column[told] for name, column in own.items()})
    return series


def simulate(scenario: Scenario, *, start_ms: int, end_ms: int) -> History:
    """Return a stretch of a scenario whose history meets the present at `end_ms`."""
    simulator = Simulator(scenario, anchor_ms=end_ms, start_ms=start_ms)
    blocks = list(simulator.blocks(end_ms))
    if not blocks:
        raise ValueError("less than one step between start and end")
    true = {name: np.concatenate([block.true[name] for block in blocks]) for name in blocks[0].true}
    return History(
        t_ms=np.concatenate([block.t_ms for block in blocks]),
        units=scenario.unit_ids,
        measured=_series(scenario, blocks),
        true=true,
    )


def simulate_history(
    scenario_path: Path, *, start_ms: int | None = None, end_ms: int, days: float = 14.0
) -> dict[str, Series]:
    """Return what every unit measured in ``(start_ms, end_ms]``, `days` before the end by default."""
    start = end_ms - round(days * DAY_MS) if start_ms is None else start_ms
    return dict(simulate(load_scenario(scenario_path), start_ms=start, end_ms=end_ms).measured)
