"""True run-out: from instants along a run, the world goes on once more with every charger taken away.

People open lids as they do; nothing is put in. The instants of a batch run side by side: copies of the fleet.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import Faults
from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.forcing import STEPS_A_DAY, Forcing, Outside
from firmware_sim.plant.plant import Plant, State
from firmware_sim.scenarios.clones import repeated
from firmware_sim.scenarios.fault_kinds import CHARGER_PARAMETER
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import STEP_S
from firmware_sim.stops import DEAD_V
from firmware_sim.truth import RISK_C
from services.telemetry import FloatArray
from services.timebase import HOUR_MS, SECOND_MS

HORIZON_H = 168.0
"""Run-outs beyond are not looked for. [h]"""

BRANCH = "="
"""In no id, so that copies are called like no unit of a fleet that is itself repeated."""

STEP_MS = STEP_S * SECOND_MS

ROWS_AT_ONCE = 800
"""Units of all copies of a batch together, about."""

LOOK_EVERY = 120
"""Steps between looks at whether everything has been decided."""


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
    """Days of the outside world, each made once and kept while a batch needs it."""

    def __init__(self, scenario: Scenario, anchor_ms: int) -> None:
        self._outside = Outside(scenario, anchor_ms=anchor_ms)
        self._days: dict[int, Forcing] = {}

    def day(self, day: int) -> Forcing:
        if day not in self._days:
            self._days[day] = self._outside.day(day)
        return self._days[day]

    def forget_before(self, day: int) -> None:
        self._days = {k: v for k, v in self._days.items() if k >= day}


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
    size = max(1, ROWS_AT_ONCE // len(scenario.units))
    found = []
    for first in range(0, len(taken), size):
        batch = taken[first : first + size]
        world.forget_before(batch[0].t_ms // (STEPS_A_DAY * STEP_MS))
        found += _Batch(scenario, batch, world, faults).run()
    return found


class _Batch:
    """Some instants side by side."""

    def __init__(self, scenario: Scenario, batch: Sequence[Taken], world: _World, faults: Faults) -> None:
        self._batch, self._world, self._faults = batch, world, faults
        self._copies, self._units, self._banks = len(batch), len(scenario.units), len(scenario.banks)
        many = repeated(scenario, self._units * self._copies, mark=BRANCH, spread=False, check=False)
        self._plant = Plant(many)
        self._state = State.of(
            {name: np.concatenate([one.arrays[name] for one in batch]) for name in batch[0].arrays}
        )
        kinds = [unit.kind for unit, _ in many.units]
        every = sorted({limit for kind in set(kinds) for limit in RISK_C[kind]})
        self._fed = self._plant.electrics.on_bank
        self._asked = {c: np.array([c in RISK_C[kind] for kind in kinds]) & self._fed for c in every}
        self._stops = np.full(len(kinds), np.nan)
        self._risk = {c: np.full(len(kinds), np.nan) for c in every}

    def run(self) -> list[RunOut]:
        for step in range(round(HORIZON_H * HOUR_MS) // STEP_MS):
            if step % LOOK_EVERY == 0:
                self._hand_on_faults(step)
                if self._decided():
                    break
            self._advance(step)
        shape = (self._copies, self._units)
        stops, risk = self._stops.reshape(shape), {c: h.reshape(shape) for c, h in self._risk.items()}
        return [
            RunOut(one.t_ms, stops[k], {c: hours[k] for c, hours in risk.items()})
            for k, one in enumerate(self._batch)
        ]

    def _decided(self) -> bool:
        warm = all(np.isfinite(self._risk[c][asked]).all() for c, asked in self._asked.items())
        return bool(np.isfinite(self._stops[self._fed]).all() and warm)

    def _hand_on_faults(self, step: int) -> None:
        """Set the faults of every instant, and take all chargers away."""
        each = [self._faults.multipliers(one.t_ms + step * STEP_MS) for one in self._batch]
        moved = {name: np.concatenate([values[name] for values in each]) for name in each[0]}
        moved |= dict.fromkeys(CHARGER_PARAMETER.values(), np.zeros(self._banks * self._copies))
        self._plant.apply(moved)
        self._plant.electrics.set_faults(moved)

    def _advance(self, step: int) -> None:
        places = [divmod(one.t_ms // STEP_MS + step, STEPS_A_DAY) for one in self._batch]
        days = [(self._world.day(day), row) for day, row in places]
        outside_c = np.concatenate([day.outside_c[row] for day, row in days])
        lid = np.concatenate([day.lid_w_per_k[row] for day, row in days])
        shown = self._plant.advance(
            self._state,
            outside_c,
            lid,
            _uncharged([day.inputs(row) for day, row in days]),
            lid_share=np.concatenate([day.lid_share[row] for day, row in days]),
            vapour_kg_per_kg=np.concatenate([day.vapour_kg_per_kg[row] for day, row in days]),
        )
        hours = (step + 1) * STEP_MS / HOUR_MS
        _note(self._stops, (shown.locked | (shown.unit_v < DEAD_V)) & self._fed, hours)
        for limit, first in self._risk.items():
            _note(first, self._asked[limit] & (shown.food_c > limit), hours)


def _note(first: FloatArray, reached: npt.NDArray[np.bool_], hours: float) -> None:
    """Write the time where something is reached for the first time."""
    first[reached & np.isnan(first)] = hours


def _uncharged(parts: Sequence[Inputs]) -> Inputs:
    """Return what acts on the banks of all copies, their rows after each other, without plain chargers."""
    joined: dict[str, Any] = {}
    for entry in fields(Inputs):
        values = [getattr(part, entry.name) for part in parts]
        joined[entry.name] = None if values[0] is None else np.concatenate(values)
    return replace(Inputs(**joined), source_a=None)
