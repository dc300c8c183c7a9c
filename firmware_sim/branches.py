"""True run-out: from instants along a run, the world goes on once more with every charger taken away.

People open lids as they do, what else hangs on a bank goes on drawing; nothing is put in. Many instants run
side by side, as copies of the fleet; what has been decided is left out from then on.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import Faults, Multipliers
from firmware_sim.history import Day, Days
from firmware_sim.plant.electrics import ElectricState, Inputs
from firmware_sim.plant.plant import Plant, State
from firmware_sim.scenarios.clones import repeated
from firmware_sim.scenarios.fault_kinds import CHARGER_PARAMETER, KINDS
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.parts import groups, part_of
from firmware_sim.stops import DEAD_V
from firmware_sim.truth import RISK_C
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, SECOND_MS

HORIZON_H = 168.0
"""Run-outs beyond are not looked for. [h]"""

BRANCH = "="
"""In no id, so that copies are called like no unit of a fleet that is itself repeated."""

BRANCH_STEP_S = 60
"""Length of the steps here. [s]"""

STEP_MS = BRANCH_STEP_S * SECOND_MS

ROWS_AT_ONCE = 1500
"""Units of all copies of a batch together, about."""

COPIES_AT_ONCE = 24
"""Copies of a batch: each keeps days of its own."""

LOOK_EVERY = 60
"""Steps between looks at what has been decided: an hour."""

WORTH_SHRINKING = 0.7
"""Decided rows are left out when no more than this share is left."""

PER_BANK = frozenset(entry.name for entry in fields(ElectricState)) - {"unit_v"}
"""What of a state has a row for each bank."""

BANK_PARAMETERS = frozenset(CHARGER_PARAMETER.values()) | {
    p.name for kind in KINDS.values() if kind.on == "bank" for p in kind.parameters
}
"""What faults move on banks."""


@dataclass(frozen=True)
class Taken:
    """The whole fleet's state at one instant."""

    t_ms: int
    arrays: Mapping[str, npt.NDArray[Any]]

    @staticmethod
    def of(t_ms: int, state: State) -> "Taken":
        """Return a copy of a state."""
        return Taken(t_ms, {name: np.array(values) for name, values in state.arrays().items()})


@dataclass(frozen=True)
class RunOut:
    """What happens from one instant on when nothing charges any more; NaN beyond the horizon."""

    t_ms: int
    stops_h: FloatArray
    """(n,) until the unit stops for want of voltage, or its bank's protection opens; NaN for units without
    a battery. [h]"""
    risk_h: Mapping[float, FloatArray]
    """By limit, (n,) until the food's core is above it; NaN for units without a battery, and where the
    limit is not one of the unit's kind. [h]"""


class _World:
    """Days of the outside world of some units, each made once and kept while a batch needs it."""

    def __init__(self, scenario: Scenario, anchor_ms: int, units: IntArray | None = None) -> None:
        self._scenario, self._anchor_ms = scenario, anchor_ms
        self.units: IntArray = np.arange(len(scenario.units)) if units is None else units
        """Which of the scenario's; in order."""
        some = scenario if units is None else part_of(scenario, units.tolist())
        ids = {bank.id for bank, _ in some.banks}
        self.banks: IntArray = np.flatnonzero([bank.id in ids for bank, _ in scenario.banks])
        self._days = Days(replace(some, step_s=BRANCH_STEP_S), anchor_ms=anchor_ms, noise=False, loads=False)
        self._kept: dict[int, Day] = {}

    def of(self, units: IntArray) -> "_World":
        """Return the world of some units alone, where that saves enough."""
        if units.size > WORTH_SHRINKING * self.units.size:
            return self
        return _World(self._scenario, self._anchor_ms, units)

    def day(self, day: int) -> Day:
        if day not in self._kept:
            self._kept[day] = self._days.day(day)
        return self._kept[day]

    def keep_only(self, days: set[int]) -> None:
        self._kept = {k: v for k, v in self._kept.items() if k in days}


def run_outs(scenario: Scenario, taken: Sequence[Taken], *, anchor_ms: int) -> list[RunOut]:
    """Return for each instant when units stop and food warms once nothing charges any more.

    Parameters
    ----------
    scenario : Scenario
        The one that was run.
    taken : sequence of Taken
        States along the run, in order of time.
    anchor_ms : int
        Where the run's history meets the present.

    Returns
    -------
    list of RunOut
        One for each state.
    """
    world = _World(scenario, anchor_ms)
    faults = Faults(scenario, anchor_ms=anchor_ms)
    found = []
    for batch in batches(scenario, taken):
        found += _Batch(scenario, batch, world, faults).run()
    return found


def batches(scenario: Scenario, taken: Sequence[Taken]) -> Iterator[Sequence[Taken]]:
    """Yield the instants that are worth computing side by side."""
    size = min(max(1, ROWS_AT_ONCE // len(scenario.units)), COPIES_AT_ONCE)
    for first in range(0, len(taken), size):
        yield taken[first : first + size]


class _Batch:
    """Some instants side by side; rows are units of copies, those of the first copy first."""

    def __init__(self, scenario: Scenario, batch: Sequence[Taken], world: _World, faults: Faults) -> None:
        self._batch, self._world, self._faults = batch, world, faults
        self._copies, self._units, self._banks = len(batch), len(scenario.units), len(scenario.banks)
        rows = self._units * self._copies
        self._all = repeated(scenario, rows, mark=BRANCH, spread=False, check=False)
        self._group = np.empty(rows, dtype=np.int64)
        for number, group in enumerate(groups(self._all, by_site=False)):
            self._group[group] = number
        kinds = [unit.kind for unit, _ in self._all.units]
        every = sorted({limit for kind in set(kinds) for limit in RISK_C[kind]})
        self._fed = np.array([unit.supply.kind == "battery" for unit, _ in self._all.units])
        self._asked = {c: np.array([c in RISK_C[kind] for kind in kinds]) & self._fed for c in every}
        self._stops = np.full(rows, np.nan)
        self._risk = {c: np.full(rows, np.nan) for c in every}
        self._state = State.of(
            {name: np.concatenate([one.arrays[name] for one in batch]) for name in batch[0].arrays}
        )
        position = {bank.id: k for k, (bank, _) in enumerate(self._all.banks)}
        self._bank_of = np.array(
            [position.get(unit.supply.bank or "", -1) for unit, _ in self._all.units], dtype=np.int64
        )
        self._rows: IntArray = np.arange(rows)
        self._bank_rows: IntArray = np.arange(self._banks * self._copies)
        self._plant = Plant(self._all, step_s=BRANCH_STEP_S)

    def run(self) -> list[RunOut]:
        for step in range(0, round(HORIZON_H * HOUR_MS) // STEP_MS, LOOK_EVERY):
            self._shrink()
            if not self._rows.size:
                break
            self._hour(step)
        shape = (self._copies, self._units)
        stops, risk = self._stops.reshape(shape), {c: h.reshape(shape) for c, h in self._risk.items()}
        return [
            RunOut(one.t_ms, stops[k], {c: hours[k] for c, hours in risk.items()})
            for k, one in enumerate(self._batch)
        ]

    def _shrink(self) -> None:
        """Leave out the groups in which everything has been decided."""
        open_ = self._fed & np.isnan(self._stops)
        for limit, asked in self._asked.items():
            open_ |= asked & np.isnan(self._risk[limit])
        left = np.isin(self._group[self._rows], self._group[open_])
        if left.sum() > WORTH_SHRINKING * self._rows.size:
            return
        rows = self._rows[left]
        banks = np.unique(self._bank_of[rows])
        banks = banks[banks >= 0]
        of_bank = np.searchsorted(self._bank_rows, banks)
        self._state = State.of(
            {
                name: values[of_bank if name in PER_BANK else left]
                for name, values in self._state.arrays().items()
            }
        )
        self._rows, self._bank_rows = rows, banks
        if rows.size:
            self._world = self._world.of(np.unique(rows % self._units))
            chosen = replace(
                self._all,
                units=tuple(self._all.units[i] for i in rows),
                banks=tuple(self._all.banks[k] for k in banks),
            )
            self._plant = Plant(chosen, step_s=BRANCH_STEP_S)

    def _faults_at(self, step: int) -> Multipliers:
        """Return what faults move on the rows that are left, all chargers taken away."""
        each = [self._faults.multipliers(one.t_ms + step * STEP_MS) for one in self._batch]
        moved = {
            name: np.concatenate([values[name] for values in each])[
                self._bank_rows if name in BANK_PARAMETERS else self._rows
            ]
            for name in each[0]
        }
        return moved | dict.fromkeys(CHARGER_PARAMETER.values(), np.zeros(self._bank_rows.size))

    def _hour(self, step: int) -> None:
        moved = self._faults_at(step)
        self._plant.apply(moved)
        self._plant.electrics.set_faults(moved)
        world = _Hour(self._world, [one.t_ms // STEP_MS + step for one in self._batch])
        at = _columns(self._rows, self._world.units, self._units)
        bank_at = _columns(self._bank_rows, self._world.banks, self._banks)
        outside_c, lid, share, begins, vapour = (
            world.joined(name)[:, at]
            for name in ("outside_c", "lid_w_per_k", "lid_share", "begins", "vapour_kg_per_kg")
        )
        bank_c, fed = world.joined("bank_c")[:, bank_at], world.joined("fed")[:, at]
        if "lid_added_w_per_k" in moved:
            lid = lid + moved["lid_added_w_per_k"]
        opened: npt.NDArray[np.bool_] = np.any(share > 0.0, axis=1)
        asked = {limit: asked[self._rows] for limit, asked in self._asked.items()}
        on_battery = self._fed[self._rows]
        for k in range(LOOK_EVERY):
            shown = self._plant.advance(
                self._state,
                outside_c[k],
                lid[k],
                Inputs(bank_c=bank_c[k], cable_c=outside_c[k], fed=fed[k]),
                lid_share=share[k] if opened[k] else None,
                lid_begins=begins[k],
                vapour_kg_per_kg=vapour[k],
            )
            hours = (step + k + 1) * STEP_MS / HOUR_MS
            self._note(self._stops, (shown.locked | (shown.unit_v < DEAD_V)) & on_battery, hours)
            for limit, first in self._risk.items():
                self._note(first, asked[limit] & (shown.food_c > limit), hours)

    def _note(self, first: FloatArray, reached: npt.NDArray[np.bool_], hours: float) -> None:
        """Write the time where something is reached for the first time."""
        if reached.any():
            rows = self._rows[reached]
            first[rows[np.isnan(first[rows])]] = hours


def _columns(rows: IntArray, there: IntArray, each: int) -> IntArray:
    """Return where rows of copies of `each` stand among copies of those that are `there`."""
    if not each:
        return rows
    columns: IntArray = rows // each * there.size + np.searchsorted(there, rows % each)
    return columns


class _Hour:
    """An hour of the outside world at each of some places in time, side by side."""

    def __init__(self, world: _World, first_steps: Sequence[int]) -> None:
        steps_a_day = DAY_MS // STEP_MS
        self._pieces: list[list[tuple[Day, slice]]] = []
        for first in first_steps:
            pieces, at = [], first
            while at < first + LOOK_EVERY:
                day, row = divmod(at, steps_a_day)
                end = min(row + first + LOOK_EVERY - at, steps_a_day)
                pieces.append((world.day(day), slice(row, end)))
                at += end - row
            self._pieces.append(pieces)
        world.keep_only({(first + k) // steps_a_day for first in first_steps for k in (0, LOOK_EVERY)})

    def joined(self, name: str) -> npt.NDArray[Any]:
        """Return one influence, (steps, units or banks of all copies)."""
        return np.concatenate(
            [np.concatenate([_of(day, name)[rows] for day, rows in pieces]) for pieces in self._pieces],
            axis=1,
        )


def _of(day: Day, name: str) -> npt.NDArray[Any]:
    if name == "begins":
        return day.begins
    source = day.forcing.charging if name == "bank_c" else day.forcing
    values: npt.NDArray[Any] = getattr(source, name)
    return values
