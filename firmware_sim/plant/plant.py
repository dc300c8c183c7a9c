"""The whole fleet's physics, one step for all units at once."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.control import Control, decide
from firmware_sim.plant.air import (
    AIR_J_PER_KG_K,
    density_kg_per_m3,
    doorway_m3_per_s,
    saturated_quickly_kg_per_kg,
)
from firmware_sim.plant.cabinet import Paths, frost_after, nodes_after
from firmware_sim.plant.effects import DEFAULT_FAULTS, effects_of
from firmware_sim.plant.electrics import Electrics, Inputs
from firmware_sim.plant.refrigeration import (
    HOTTEST_SUCTION_C,
    TRIP_C,
    TRIP_RESET_C,
    HeatLine,
    condensing_after,
    heat_line,
)
from firmware_sim.plant.sizes import DEFAULT_RESTART_V, sizes_of
from firmware_sim.plant.state import State, Step
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S
from services.telemetry import FloatArray

__all__ = ["DEFAULT_FAULTS", "DEFAULT_RESTART_V", "Plant", "State", "Step"]

BoolArray = npt.NDArray[np.bool_]

USUAL_VAPOUR_KG_PER_KG = 0.010
"""Humidity ratio outside where nobody says. [kg/kg] 33 °C at 32 %."""

ALIKE_K = 1.0
"""Food put in counts with the rest once it is this near it [K]."""

NEVER_COLD_ENOUGH_C = -99.0
"""What the probe of a unit that is switched off is taken to show, so that it never asks [°C]."""


class Plant:
    """All cabinets and banks of a scenario."""

    def __init__(self, scenario: Scenario, *, step_s: float = STEP_S) -> None:
        self.electrics = Electrics(scenario)
        self.sizes = sizes_of(scenario, nominal_v=self.electrics.nominal_v, on_bank=self.electrics.on_bank)
        self._step_s = step_s
        n = self.sizes.runs.size
        self._none = np.zeros(n)
        self._vapour = np.full(n, USUAL_VAPOUR_KG_PER_KG)
        self._shares = bool((self.sizes.leader != np.arange(n)).any())
        self._standby_w = self.sizes.standby_w * self.sizes.runs
        self._frost_per_kg = -1.0 / self.sizes.frost_scale_kg
        self._per_food_kg = 1.0 / (1000.0 * self.sizes.food_kg)
        self.apply({})

    def apply(self, multipliers: Mapping[str, FloatArray]) -> None:
        """Let faults act from now on; names not in `DEFAULT_FAULTS` are others'."""
        self._now = effects_of(self.sizes, multipliers, nominal_v=self.electrics.nominal_v)

    def start(self) -> State:
        """Return a state to begin from: every cabinet at its set point."""
        set_c = self.sizes.limits.set_point_c
        n = set_c.size
        content = self.sizes.foods.content_kj_per_kg(set_c)
        return State(
            **vars(self.electrics.start()),
            air_c=set_c.copy(),
            plate_c=set_c.copy(),
            food_kj_per_kg=content,
            food_c=self.sizes.foods.temperature_c(content),
            fresh_kg=np.zeros(n),
            fresh_kj_per_kg=content.copy(),
            fresh_c=set_c.copy(),
            frost_kg=self.sizes.start_frost_kg.copy(),
            evaporating_c=set_c.copy(),
            condensing_c=np.full(n, 30.0),
            aired_share=np.zeros(n),
            probe_c=set_c.copy(),
            turning=np.zeros(n, dtype=bool),
            overheated=np.zeros(n, dtype=bool),
            control=Control.start(n),
        )

    def advance(
        self,
        state: State,
        outside_c: FloatArray,
        lid_w_per_k: FloatArray,
        inputs: Inputs,
        *,
        lid_share: FloatArray | None = None,
        vapour_kg_per_kg: FloatArray | None = None,
        load_kg: FloatArray | None = None,
        load_c: FloatArray | None = None,
        defrost: BoolArray | None = None,
    ) -> Step:
        """Move the state one step on and return what it shows at the end of the step.

        Parameters
        ----------
        state : State
            Changed in place.
        outside_c : (n,) float64
            Air around each cabinet. [°C]
        lid_w_per_k : (n,) float64
            Heat path of an open lid's surfaces, mean over the step. [W/K]
        inputs : Inputs
            What acts on the banks.
        lid_share : (n,) float64 or None
            Share of the step the lid stands open; None never. [1]
        vapour_kg_per_kg : (n,) float64 or None
            Humidity ratio outside. [kg/kg]
        load_kg, load_c : (n,) float64 or None
            Food put in during the step; as much is taken out for it once it is cold. [kg], [°C]
        defrost : (n,) bool or None
            Scraped clean in this step.

        Returns
        -------
        Step
        """
        vapour = self._vapour if vapour_kg_per_kg is None else vapour_kg_per_kg
        if defrost is not None:
            state.frost_kg = np.where(defrost, 0.0, state.frost_kg)
        loaded_j = self._load(state, load_kg, load_c)
        self._decide(state)
        line, compressor_w = self._machine(state)
        unit_w = (
            compressor_w + state.turning * (self._now.inner_fan_w + self._now.outer_fan_w) + self._standby_w
        )
        supplied = self.electrics.step(state, self._on_leader(unit_w), inputs, dt_s=self._step_s)
        moving = lid_w_per_k + self._aired_w_per_k(state, outside_c, vapour, lid_share)
        entered_j, removed_w = self._cabinet(state, outside_c, vapour, moving, line)
        self._condense(state, outside_c, removed_w + unit_w - self._standby_w)
        return Step(
            air_c=state.air_c,
            plate_c=state.plate_c,
            food_c=state.food_c,
            fresh_c=np.where(state.fresh_kg > 0.0, state.fresh_c, np.nan),
            frost_kg=state.frost_kg,
            evaporating_c=state.evaporating_c,
            condensing_c=state.condensing_c,
            probe_c=state.probe_c,
            on=state.turning,
            asked=state.control.on.copy(),  # the law may change it in place
            locked=state.control.locked,
            alive=state.control.alive,
            overheated=state.overheated,
            speed_share=state.control.speed_share,
            unit_v=state.unit_v,
            unit_a=supplied.unit_a[self.sizes.leader] if self._shares else supplied.unit_a,
            unit_w=unit_w,
            bank_v=supplied.bank_v,
            soc=supplied.soc,
            bank_a=supplied.bank_a,
            source=supplied.source,
            fed=supplied.fed,
            entered_j=entered_j,
            loaded_j=loaded_j,
            removed_w=removed_w,
        )

    def _load(self, state: State, load_kg: FloatArray | None, load_c: FloatArray | None) -> FloatArray:
        """Put food in, let food that has cooled count with the rest; returns heat brought in [J]."""
        loaded_j = self._none
        if load_kg is not None and load_c is not None and (load_kg > 0.0).any():
            brought = np.where(load_kg > 0.0, self.sizes.foods.content_kj_per_kg(load_c), 0.0) * load_kg
            whole = state.fresh_kg + load_kg
            mixed = (state.fresh_kg * state.fresh_kj_per_kg + brought) / np.where(whole > 0.0, whole, 1.0)
            state.fresh_kj_per_kg = np.where(whole > 0.0, mixed, state.fresh_kj_per_kg)
            state.fresh_kg = whole
            state.fresh_c = self.sizes.foods.temperature_c(state.fresh_kj_per_kg)
            loaded_j = 1000.0 * brought
        alike = (state.fresh_kg > 0.0) & (np.abs(state.fresh_c - state.food_c) < ALIKE_K)
        if alike.any():
            kept, new = self.sizes.food_kg, state.fresh_kg * alike
            mixed = (kept * state.food_kj_per_kg + new * state.fresh_kj_per_kg) / (kept + new)
            loaded_j = loaded_j - 1000.0 * new * mixed
            state.food_kj_per_kg = mixed
            state.fresh_kg = np.where(alike, 0.0, state.fresh_kg)
        return loaded_j

    def _decide(self, state: State) -> None:
        """Let the controllers decide on what their probes show, and see which machines turn."""
        shown = np.where(self._now.probe_open, np.nan, state.air_c + self._now.probe_off_k)
        shown = np.where(self._now.probe_stuck & ~np.isnan(state.probe_c), state.probe_c, shown)
        state.probe_c = np.where(self.sizes.runs, shown, NEVER_COLD_ENOUGH_C)
        law = state.control
        volts = state.unit_v[self.sizes.leader] if self._shares else state.unit_v
        decide(
            self._now.limits,
            law,
            probe_c=state.probe_c,
            terminal_v=volts,
            turning=state.turning,
            step_s=self._step_s,
        )
        leader = self.sizes.leader
        state.overheated = np.where(
            state.overheated, state.condensing_c > TRIP_RESET_C, state.condensing_c > TRIP_C
        )
        able = self._now.can_start & ~state.overheated
        running = state.turning
        if self._shares:
            running = self._on_leader(state.turning.astype(float)) > 0.0
        able &= running | (volts >= self._now.least_start_v)
        state.turning = law.on & able[leader]
        if self._shares:
            self._agree(state)

    def _agree(self, state: State) -> None:
        """Let units on one machine share its rest and its lock."""
        law, leader = state.control, self.sizes.leader
        n = leader.size
        running = np.bincount(leader, weights=law.on, minlength=n)[leader] > 0.0
        rested = np.full(n, np.inf)
        np.minimum.at(rested, leader, law.still_s)
        law.still_s = np.where(law.on, 0.0, np.where(running, 3600.0, rested[leader]))
        law.locked = np.bincount(leader, weights=law.locked, minlength=n)[leader] > 0.0

    def _on_leader(self, each: FloatArray) -> FloatArray:
        """Add what units on one machine have to its owner's."""
        if not self._shares:
            return each
        whole: FloatArray = np.bincount(self.sizes.leader, weights=each, minlength=each.size).astype(float)
        return whole

    def _machine(self, state: State) -> tuple[HeatLine, FloatArray]:
        """Return what evaporators take against plate temperature, and what compressors draw [W]."""
        sizes = self.sizes
        swept = self._now.swept_m3_per_s * state.control.speed_share * state.turning
        condensing_c = state.condensing_c
        if self._shares:  # the refrigerant goes in equal parts to the cabinets that ask
            swept = swept / np.maximum(self._on_leader(state.turning.astype(float))[sizes.leader], 1.0)
            condensing_c = condensing_c[sizes.leader]
        evaporating_c = np.minimum(state.evaporating_c, HOTTEST_SUCTION_C)
        cycle = sizes.cycles.at(evaporating_c, condensing_c)
        flooded = state.evaporating_c > HOTTEST_SUCTION_C
        line = heat_line(
            replace(cycle, cooling_per_k=np.where(flooded, 0.0, cycle.cooling_per_k)),
            swept_m3_per_s=swept,
            evaporating_c=evaporating_c,
            evaporator_w_per_k=self._now.evaporator_w_per_k,
        )
        return line, swept * cycle.work_kj_per_m3 * self._now.electric_per_work

    def _aired_w_per_k(
        self,
        state: State,
        outside_c: FloatArray,
        vapour_kg_per_kg: FloatArray,
        lid_share: FloatArray | None,
    ) -> FloatArray:
        """Return the air that an opening lets in as a heat path, one air change an opening at most."""
        if lid_share is None or not lid_share.any():
            state.aired_share = self._none
            return self._none
        sizes = self.sizes
        inside = density_kg_per_m3(state.air_c, saturated_quickly_kg_per_kg(state.plate_c))
        flow = doorway_m3_per_s(
            area_m2=sizes.opening_m2,
            height_m=sizes.opening_m,
            inside_kg_per_m3=inside,
            outside_kg_per_m3=density_kg_per_m3(outside_c, vapour_kg_per_kg),
        )
        share = np.minimum(flow * lid_share * self._step_s / sizes.volume_m3, 1.0 - state.aired_share)
        state.aired_share = np.where(lid_share > 0.0, state.aired_share + share, 0.0)
        passed_kg = share * sizes.passing_share * sizes.volume_m3 * inside
        path: FloatArray = passed_kg * (AIR_J_PER_KG_K / self._step_s)
        return path

    def _cabinet(
        self,
        state: State,
        outside_c: FloatArray,
        vapour_kg_per_kg: FloatArray,
        moving_w_per_k: FloatArray,
        line: HeatLine,
    ) -> tuple[FloatArray, FloatArray]:
        """Move the nodes on; returns heat that came in [J] and heat the evaporator took [W]."""
        sizes = self.sizes
        state.frost_kg, moisture_w = frost_after(
            state.frost_kg,
            plate_c=state.plate_c,
            leak_w_per_k=moving_w_per_k + self._now.draught_w_per_k,
            vapour_kg_per_kg=vapour_kg_per_kg,
            growth_ratio=self._now.frost_ratio,
            step_s=self._step_s,
        )
        nodes = nodes_after(
            state.air_c,
            state.plate_c,
            state.food_c,
            state.fresh_c,
            outside_c=outside_c,
            paths=Paths(
                walls_w_per_k=self._now.walls_w_per_k,
                leak_w_per_k=self._now.seal_w_per_k + moving_w_per_k,
                plate_w_per_k=self._now.plate_w_per_k * np.exp(state.frost_kg * self._frost_per_kg),
                food_w_per_k=sizes.food_w_per_k,
                fresh_w_per_k=sizes.fresh_w_per_kg_k * state.fresh_kg,
                air_j_per_k=sizes.air_j_per_k,
                plate_j_per_k=sizes.plate_j_per_k,
            ),
            line=line,
            fan_w=state.turning * self._now.inner_fan_w,
            moisture_w=moisture_w,
            step_s=self._step_s,
        )
        state.air_c, state.plate_c = nodes.air_c, nodes.plate_c
        state.food_kj_per_kg = state.food_kj_per_kg + nodes.to_food_j * self._per_food_kg
        state.food_c = sizes.foods.temperature_c(state.food_kj_per_kg)
        if state.fresh_kg.any():
            taken = nodes.to_fresh_j / (1000.0 * np.maximum(state.fresh_kg, 1e-9))
            state.fresh_kj_per_kg = state.fresh_kj_per_kg + taken
            state.fresh_c = sizes.foods.temperature_c(state.fresh_kj_per_kg)
        state.evaporating_c = state.plate_c - nodes.removed_w / self._now.evaporator_w_per_k
        return nodes.entered_j, nodes.removed_w

    def _condense(self, state: State, outside_c: FloatArray, rejected_w: FloatArray) -> None:
        """Let condensers give off what evaporators took and compressors drew."""
        state.condensing_c = condensing_after(
            state.condensing_c,
            air_c=outside_c + self._now.niche_k,
            rejected_w=self._on_leader(rejected_w),
            machines=self.sizes.machines,
            conductance_ratio=self._now.condenser_ratio,
            step_s=self._step_s,
        )
