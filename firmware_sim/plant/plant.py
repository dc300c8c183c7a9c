"""The whole fleet's physics, one step for all units at once."""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.cabinet import cabinet_after, cooling_w
from firmware_sim.plant.electrics import BoolArray, Electrics, ElectricState, Inputs, Supplied
from firmware_sim.plant.food import enthalpy_kj_per_kg, temperature_of
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S
from services.telemetry import FloatArray

DEFAULT_CUTOUT_V = 11.4
DEFAULT_RESTART_V = 12.5
"""At 12 V, where the fleet file gives none. [V] Common practice, no source."""

DEFAULT_RUNNING_A = 4.2
"""At 12 V, where the fleet file gives none. [A] Judgement."""


def _given(value: float | None, default: float) -> float:
    return default if value is None else value


@dataclass
class State(ElectricState):
    """Everything that must survive a restart."""

    air_c: FloatArray
    food_kj_per_kg: FloatArray
    food_c: FloatArray
    wants: BoolArray
    on: BoolArray
    locked: BoolArray
    low_s: FloatArray
    high_s: FloatArray
    still_s: FloatArray

    def arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """Return the state by name, for keeping."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


@dataclass(frozen=True)
class Step:
    """What one step shows; unit rows, then bank rows."""

    air_c: FloatArray
    food_c: FloatArray
    on: BoolArray
    locked: BoolArray
    """Stopped for want of voltage."""
    unit_v: FloatArray
    unit_a: FloatArray
    bank_v: FloatArray
    soc: FloatArray
    entered_j: FloatArray
    removed_w: FloatArray


class Plant:
    """All cabinets and banks of a scenario."""

    def __init__(self, scenario: Scenario) -> None:
        physics = [p for _, p in scenario.units]
        fleet = [u for u, _ in scenario.units]
        self.electrics = Electrics(scenario)
        nominal = self.electrics.nominal_v

        def per_unit(name: str) -> FloatArray:
            return np.array([float(getattr(p, name)) for p in physics])

        self._set_c = np.array([u.aim_c for u in fleet])
        self._half_k = per_unit("half_differential_k")
        self._shell = per_unit("shell_w_per_k")
        self._contact = per_unit("contact_w_per_k")
        self._liner = per_unit("liner_kj_per_k") * 1000.0
        self._food_kg = per_unit("food_kg")
        self._rated_w = per_unit("cooling_w")
        self._standby_w = per_unit("standby_w")
        self._runs = np.array([p.runs for p in physics])
        self._running_w = nominal * np.array(
            [
                _given(u.compressor.running_a, DEFAULT_RUNNING_A * 12.0 / v)
                for u, v in zip(fleet, nominal, strict=True)
            ]
        )
        twelves = nominal / 12.0
        self._cutout_v = np.array(
            [_given(u.supply.cutout_v, DEFAULT_CUTOUT_V * k) for u, k in zip(fleet, twelves, strict=True)]
        )
        self._restart_v = np.array(
            [_given(u.supply.restart_v, DEFAULT_RESTART_V * k) for u, k in zip(fleet, twelves, strict=True)]
        )
        self._cutout_s = per_unit("cutout_delay_s")
        self._restart_s = per_unit("restart_delay_s")
        self._rest_s = per_unit("rest_s")

    def start(self) -> State:
        """Return a state to begin from: every cabinet at its set point."""
        n = self._set_c.size
        content = enthalpy_kj_per_kg(self._set_c)
        off = np.zeros(n, dtype=bool)
        return State(
            **vars(self.electrics.start()),
            air_c=self._set_c.copy(),
            food_kj_per_kg=content,
            food_c=temperature_of(content),
            wants=off.copy(),
            on=off.copy(),
            locked=off.copy(),
            low_s=np.zeros(n),
            high_s=np.zeros(n),
            still_s=np.full(n, 3600.0),
        )

    def _switch(self, state: State) -> None:
        """Decide which compressors run in the coming step."""
        warm = state.air_c >= self._set_c + self._half_k
        cold = state.air_c <= self._set_c - self._half_k
        state.wants = (state.wants | warm) & ~cold
        high = state.locked & (state.unit_v >= self._restart_v)
        state.high_s = np.where(high, state.high_s + STEP_S, 0.0)
        state.locked = state.locked & (state.high_s < self._restart_s + 1e-6)
        trip = state.low_s > self._cutout_s
        state.locked = state.locked | trip
        may_start = state.on | (state.still_s >= self._rest_s)
        on = state.wants & ~state.locked & may_start & self._runs
        state.still_s = np.where(on, 0.0, state.still_s + STEP_S)
        state.on = on

    def advance(self, state: State, outside_c: FloatArray, lid_w_per_k: FloatArray, inputs: Inputs) -> Step:
        """Move the state one step on and return what it shows at the end of the step."""
        self._switch(state)
        supplied = self._electric(state, outside_c, inputs)
        low = state.on & self.electrics.on_bank & (state.unit_v < self._cutout_v)
        state.low_s = np.where(low, state.low_s + STEP_S, 0.0)
        removed_w = state.on * cooling_w(
            self._rated_w, outside_c=outside_c, air_c=state.air_c, set_point_c=self._set_c
        )
        state.air_c, state.food_kj_per_kg, state.food_c, entered_j = cabinet_after(
            state.air_c,
            state.food_kj_per_kg,
            state.food_c,
            outside_c=outside_c,
            shell_w_per_k=self._shell + lid_w_per_k,
            contact_w_per_k=self._contact,
            liner_j_per_k=self._liner,
            food_kg=self._food_kg,
            removed_w=removed_w,
            step_s=STEP_S,
        )
        return Step(
            air_c=state.air_c,
            food_c=state.food_c,
            on=state.on,
            locked=state.locked,
            unit_v=state.unit_v,
            unit_a=supplied.unit_a,
            bank_v=supplied.bank_v,
            soc=supplied.soc,
            entered_j=entered_j,
            removed_w=removed_w,
        )

    def _electric(self, state: State, outside_c: FloatArray, inputs: Inputs) -> Supplied:
        """Return what the wires show; moves the charge."""
        watts = state.on * self._running_w * (1.0 + 0.008 * (outside_c - 32.0)) + self._standby_w * self._runs
        return self.electrics.step(state, watts, inputs)
