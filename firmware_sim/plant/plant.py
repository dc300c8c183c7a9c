"""The whole fleet's physics, one step for all units at once."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.control import Control, decide
from firmware_sim.plant.cabinet import Paths, frost_after, nodes_after
from firmware_sim.plant.effects import DEFAULT_FAULTS, effects_of
from firmware_sim.plant.electrics import Electrics, Inputs
from firmware_sim.plant.opening import Before, Lids, Opened, opened
from firmware_sim.plant.refrigeration import (
    HOTTEST_SUCTION_C,
    TRIP_C,
    TRIP_RESET_C,
    Cycle,
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


@dataclass(frozen=True)
class _Moved:
    """What a step did to the nodes, arrays of (n,)."""

    entered_j: FloatArray
    removed_w: FloatArray
    to_food_j: FloatArray
    to_fresh_j: FloatArray
    top_c: FloatArray
    top_at: FloatArray


class Plant:
    """All cabinets and banks of a scenario."""

    def __init__(self, scenario: Scenario, *, step_s: float = STEP_S) -> None:
        self.electrics = Electrics(scenario)
        self.sizes = sizes_of(scenario, nominal_v=self.electrics.nominal_v, on_bank=self.electrics.on_bank)
        self._step_s = step_s
        n = self.sizes.runs.size
        self._none, self._unknown = np.zeros(n), np.full(n, np.nan)
        self._opening_w_per_k = np.array([physics.opening_w_per_k for _, physics in scenario.units])
        self._vapour = np.full(n, USUAL_VAPOUR_KG_PER_KG)
        self._shares = bool((self.sizes.leader != np.arange(n)).any())
        self._standby_w = self.sizes.standby_w * self.sizes.runs
        self._frost_per_kg = -1.0 / self.sizes.frost_scale_kg
        self._per_food_kg = 1.0 / (1000.0 * self.sizes.food_kg)
        self.apply({})

    def apply(self, multipliers: Mapping[str, FloatArray]) -> None:
        """Let faults act from now on; names not in `DEFAULT_FAULTS` are others'."""
        self._now = effects_of(self.sizes, multipliers, nominal_v=self.electrics.nominal_v)
        self._open_probes, self._stuck_probes = (
            bool(self._now.probe_open.any()),
            bool(self._now.probe_stuck.any()),
        )

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
        lid_begins: FloatArray | None = None,
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
        lid_begins : (n,) float64 or None
            Share of the step after which it opens; None at once. [1]
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
        some_fresh = bool(state.fresh_kg.any())
        self._decide(state)
        line, compressor_w = self._machine(state)
        unit_w = (
            compressor_w + state.turning * (self._now.inner_fan_w + self._now.outer_fan_w) + self._standby_w
        )
        supplied = self.electrics.step(state, self._on_leader(unit_w), inputs, dt_s=self._step_s)
        lids = self._lids(lid_w_per_k, lid_share, lid_begins)
        moved = self._cabinet(
            state,
            outside_c,
            vapour,
            lids,
            line,
            some_open=lids.share is not self._none,
            some_fresh=some_fresh,
        )
        self._condense(state, outside_c, moved.removed_w + unit_w - self._standby_w)
        return Step(
            air_c=state.air_c,
            air_top_c=moved.top_c,
            air_top_at=moved.top_at,
            plate_c=state.plate_c,
            food_c=state.food_c,
            fresh_c=np.where(state.fresh_kg > 0.0, state.fresh_c, np.nan) if some_fresh else self._unknown,
            frost_kg=state.frost_kg,
            evaporating_c=state.evaporating_c,
            condensing_c=state.condensing_c,
            probe_c=state.probe_c,
            on=state.turning,
            asked=state.control.on.copy(),  # the law may change it in place
            locked=state.control.locked,
            alive=state.control.alive,
            overheated=state.overheated,
            failed_starts=state.control.failed_starts.copy(),
            starved=state.unit_v < self._now.least_start_v,
            speed_share=state.control.speed_share,
            unit_v=state.unit_v,
            unit_a=supplied.unit_a[self.sizes.leader] if self._shares else supplied.unit_a,
            unit_w=unit_w,
            bank_v=supplied.bank_v,
            soc=supplied.soc,
            bank_a=supplied.bank_a,
            source=supplied.source,
            starter_v=supplied.starter_v,
            may_not_start=supplied.may_not_start,
            fed=supplied.fed,
            entered_j=moved.entered_j,
            loaded_j=loaded_j,
            removed_w=moved.removed_w,
        )

    def _lids(
        self, lid_w_per_k: FloatArray, lid_share: FloatArray | None, lid_begins: FloatArray | None
    ) -> Lids:
        """Tell openings from what stands ajar all the time."""
        if lid_share is None or not lid_share.any():
            return Lids(lid_w_per_k, self._none, self._none, self._none)
        begins = self._none if lid_begins is None else lid_begins
        surfaces = np.minimum(lid_w_per_k, self._opening_w_per_k * lid_share)
        opening = surfaces / np.maximum(lid_share, 1e-9)
        return Lids(lid_w_per_k - surfaces, opening, lid_share, begins)

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
        if not state.fresh_kg.any():
            return loaded_j
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
        shown = state.air_c + self._now.probe_off_k
        if self._open_probes:
            shown = np.where(self._now.probe_open, np.nan, shown)
        if self._stuck_probes:
            shown = np.where(self._now.probe_stuck & ~np.isnan(state.probe_c), state.probe_c, shown)
        state.probe_c = np.where(self._now.runs, shown, NEVER_COLD_ENOUGH_C)
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
            Cycle(cycle.cooling_kj_per_m3, cycle.cooling_per_k * ~flooded, cycle.work_kj_per_m3),
            swept_m3_per_s=swept,
            evaporating_c=evaporating_c,
            evaporator_w_per_k=self._now.evaporator_w_per_k,
        )
        return line, swept * cycle.work_kj_per_m3 * self._now.electric_per_work

    def _cabinet(
        self,
        state: State,
        outside_c: FloatArray,
        vapour_kg_per_kg: FloatArray,
        lids: Lids,
        line: HeatLine,
        *,
        some_open: bool,
        some_fresh: bool,
    ) -> _Moved:
        """Move the nodes on, those of cabinets that are opened in pieces of the step."""
        sizes = self.sizes
        fan_w = state.turning * self._now.inner_fan_w
        before = Before(
            state.air_c,
            state.plate_c,
            state.food_c,
            state.fresh_c,
            state.fresh_kg,
            state.frost_kg,
            state.aired_share,
        )
        state.frost_kg, moisture_w = frost_after(
            state.frost_kg,
            plate_c=state.plate_c,
            leak_w_per_k=lids.shut_w_per_k + self._now.draught_w_per_k,
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
                leak_w_per_k=self._now.seal_w_per_k + lids.shut_w_per_k,
                plate_w_per_k=self._now.plate_w_per_k * np.exp(state.frost_kg * self._frost_per_kg),
                food_w_per_k=sizes.food_w_per_k,
                fresh_w_per_k=sizes.fresh_w_per_kg_k * state.fresh_kg if some_fresh else self._none,
                air_j_per_k=sizes.air_j_per_k,
                plate_j_per_k=sizes.plate_j_per_k,
            ),
            line=line,
            fan_w=fan_w,
            moisture_w=moisture_w,
            step_s=self._step_s,
        )
        state.air_c, state.plate_c, state.aired_share = nodes.air_c, nodes.plate_c, self._none
        moved = _Moved(
            nodes.entered_j, nodes.removed_w, nodes.to_food_j, nodes.to_fresh_j, self._unknown, self._unknown
        )
        if some_open:
            found = opened(
                before,
                lids,
                sizes=sizes,
                now=self._now,
                line=line,
                fan_w=fan_w,
                outside_c=outside_c,
                vapour_kg_per_kg=vapour_kg_per_kg,
                step_s=self._step_s,
            )
            moved = self._mended(state, moved, found)
        state.food_kj_per_kg = state.food_kj_per_kg + moved.to_food_j * self._per_food_kg
        state.food_c = sizes.foods.temperature_c(state.food_kj_per_kg)
        if some_fresh:
            taken = moved.to_fresh_j / (1000.0 * np.maximum(state.fresh_kg, 1e-9))
            state.fresh_kj_per_kg = state.fresh_kj_per_kg + taken
            state.fresh_c = sizes.foods.temperature_c(state.fresh_kj_per_kg)
        state.evaporating_c = state.plate_c - moved.removed_w / self._now.evaporator_w_per_k
        return moved

    def _mended(self, state: State, moved: _Moved, found: Opened) -> _Moved:
        """Put the cabinets that were opened where they belong."""
        of = found.of
        state.air_c[of], state.plate_c[of] = found.air_c, found.plate_c
        state.frost_kg[of] = found.frost_kg
        state.aired_share = self._none.copy()
        state.aired_share[of] = found.aired_share
        moved.entered_j[of], moved.removed_w[of] = found.entered_j, found.removed_j / self._step_s
        moved.to_food_j[of], moved.to_fresh_j[of] = found.to_food_j, found.to_fresh_j
        top_c, top_at = self._unknown.copy(), self._unknown.copy()
        top_c[of], top_at[of] = found.top_c, found.top_at
        return replace(moved, top_c=top_c, top_at=top_at)

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
