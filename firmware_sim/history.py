"""Runs the physics over time and reads it through the units' sensors; also tells the truth behind them."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import NEVER_MS, Faults, Multipliers
from firmware_sim.plant.forcing import Forcing, Outside, opens_at
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

PER_BANK = frozenset({"bank_v", "soc", "bank_a", "source", "starter_v", "may_not_start"})
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
    readings, alive = measured(block, column), block.true.get("alive")
    if "reports_as" in block.faults:  # a board is fed where it stands
        reads = cabinet_read_by(block.faults, readings.shape[1])
        readings, alive = readings[:, reads], None if alive is None else alive[:, reads]
    return readings if alive is None else np.where(alive, readings, np.nan)


@dataclass(frozen=True)
class Day:
    """All that one UTC day brings, a row for each step."""

    forcing: Forcing
    loads: Loads | None
    scraped: Mapping[int, npt.NDArray[np.bool_]]
    opened: npt.NDArray[np.bool_]
    """(steps,) whether any lid stands open."""
    loaded: npt.NDArray[np.bool_]
    """(steps,) whether anything is put in."""
    begins: FloatArray
    """(steps, units) share of the step after which a lid opens. [1]"""


class Days:
    """The days of a scenario in its own steps; without `loads` nothing is put in or scraped off."""

    def __init__(self, scenario: Scenario, *, anchor_ms: int, noise: bool = True, loads: bool = True) -> None:
        self._outside = Outside(scenario, anchor_ms=anchor_ms, noise=noise)
        self._use = Use(scenario, anchor_ms=anchor_ms) if loads else None
        self._opening = np.array([physics.opening_w_per_k for _, physics in scenario.units])
        self._coarse = scenario.step_s // STEP_S
        self._last: tuple[int, Day] | None = None

    def day(self, day: int) -> Day:
        """Return a day, counted from 1970-01-01 UTC; the last is kept."""
        if self._last is None or self._last[0] != day:
            self._last = None
            self._last = (day, self._made(day))
        return self._last[1]

    def _made(self, day: int) -> Day:
        forcing = self._outside.day(day)
        loads = None if self._use is None else self._use.loads(day)
        scraped = {} if self._use is None else self._use.scraped(day)
        if loads is not None:
            forcing = forcing.with_lids(
                np.maximum(forcing.lid_w_per_k, self._opening * loads.lid_share),
                np.maximum(forcing.lid_share, loads.lid_share),
            )
        if self._coarse > 1:
            forcing, loads = forcing.coarser(), None if loads is None else loads.coarser()
            scraped = {row // self._coarse: units for row, units in scraped.items()}
        steps = forcing.outside_c.shape[0]
        return Day(
            forcing,
            loads,
            scraped,
            opened=np.any(forcing.lid_share > 0.0, axis=1),
            loaded=np.zeros(steps, dtype=bool) if loads is None else np.any(loads.kg > 0.0, axis=1),
            begins=opens_at(forcing.lid_share),
        )


class Simulator:
    """The plant with the world around it, moved forward on a grid of whole steps."""

    def __init__(
        self, scenario: Scenario, *, anchor_ms: int, start_ms: int, state: State | None = None
    ) -> None:
        self.scenario = scenario
        self.step_ms = scenario.step_s * SECOND_MS
        self.plant = Plant(scenario, step_s=scenario.step_s)
        self.state = self.plant.start() if state is None else state
        self.reached_ms = start_ms - start_ms % self.step_ms
        self.faults = Faults(scenario, anchor_ms=anchor_ms)
        self._moved: Multipliers = {}
        self._next_change_ms = self.reached_ms if scenario.faults else NEVER_MS
        self._days = Days(scenario, anchor_ms=anchor_ms)
        self._bank_of = [
            next((k for k, (b, _) in enumerate(scenario.banks) if b.id == unit.supply.bank), -1)
            if unit.supply.kind == "battery"
            else -1
            for unit, _ in scenario.units
        ]

    def blocks(self, until_ms: int) -> Iterator[Block]:
        """Move on until no whole step is left before `until_ms`, handing on what was passed."""
        steps_a_day = DAY_MS // self.step_ms
        while self.reached_ms + self.step_ms <= until_ms:
            day, row = divmod(self.reached_ms // self.step_ms, steps_a_day)
            self._apply_faults()
            left = (min(until_ms, self._next_change_ms) - self.reached_ms) // self.step_ms
            yield self._block(int(day), int(row), int(min(left, BLOCK_STEPS, steps_a_day - row)))

    def _apply_faults(self) -> None:
        """Hand the faults' parameters on where any moves at this moment."""
        if self.reached_ms < self._next_change_ms:
            return
        self._moved = self.faults.multipliers(self.reached_ms)
        self._next_change_ms = self.faults.next_change_ms(self.reached_ms)
        self.plant.apply(self._moved)
        self.plant.electrics.set_faults(self._moved)

    def _block(self, day: int, row: int, steps: int) -> Block:
        today = self._days.day(day)
        forcing, loads = today.forcing, today.loads
        added = self._moved.get("lid_added_w_per_k")
        lid = forcing.lid_w_per_k if added is None else forcing.lid_w_per_k + added
        steps_shown = [
            self.plant.advance(
                self.state,
                forcing.outside_c[r],
                lid[r],
                forcing.inputs(r),
                lid_share=forcing.lid_share[r] if today.opened[r] else None,
                lid_begins=today.begins[r],
                vapour_kg_per_kg=forcing.vapour_kg_per_kg[r],
                load_kg=None if loads is None or not today.loaded[r] else loads.kg[r],
                load_c=None if loads is None else loads.warm_c[r],
                defrost=today.scraped.get(r),
            )
            for r in range(row, row + steps)
        ]
        rows = slice(row, row + steps)
        true: dict[str, npt.NDArray[Any]] = {
            name: np.stack([getattr(step, name) for step in steps_shown]) for name in PER_UNIT
        }
        for name in PER_BANK:
            padded = np.full((steps, len(self.scenario.banks) + 1), np.nan)
            padded[:, :-1] = np.stack([getattr(step, name) for step in steps_shown])
            true[name] = padded[:, self._bank_of]
        true["outside_c"] = forcing.outside_c[rows]
        true["lid_open"] = lid[rows] > 0.0
        true["load_kg"] = np.zeros_like(true["air_c"]) if loads is None else loads.kg[rows]
        t_ms = self.reached_ms + self.step_ms * np.arange(1, steps + 1, dtype=np.int64)
        self.reached_ms = int(t_ms[-1])
        noise = {name: values[rows] for name, values in forcing.noise.items()}
        return Block(t_ms, true, noise, self._moved)


def sampled_rows(t_ms: IntArray, *, interval_s: int, phase_s: int, step_s: int) -> IntArray:
    """Return the rows at which a unit samples: whole intervals since the epoch, plus its phase.

    A phase that lies between steps of `step_s` moves back to the step before.
    """
    phase_s -= phase_s % step_s
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
        rows = sampled_rows(
            times, interval_s=unit.interval_s, phase_s=physics.phase_s, step_s=scenario.step_s
        )
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
