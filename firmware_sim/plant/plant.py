"""The whole fleet's physics, one step for all units at once."""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.battery import (
    ABSORPTION_V,
    COULOMBIC_EFFICIENCY,
    FLOAT_V,
    OPEN_CIRCUIT_V,
    RESISTANCE_EXPONENT,
    kibam_after,
    resistance_ohm,
    wells_of,
)
from firmware_sim.plant.cabinet import cabinet_after, cooling_w
from firmware_sim.plant.cable import cable_ohm
from firmware_sim.plant.food import enthalpy_kj_per_kg, temperature_of
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S
from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

STEP_H = STEP_S / 3600.0
FRESH_OHM_AH = 0.55
"""Internal resistance times capacity of a full 12 V battery: 5.5 mohm at 100 Ah. [ohm Ah]
Within the usual range of absorbed-mat and flooded blocks (common practice, no source)."""

DEFAULT_CUTOUT_V = 11.4
DEFAULT_RESTART_V = 12.5
"""At 12 V, where the fleet file gives none. [V] Common practice, no source."""

DEFAULT_RUNNING_A = 4.2
"""At 12 V, where the fleet file gives none. [A] Judgement."""

OTHERS_STOP_SOC = 0.05
"""Lights and radio die below. [1] Judgement."""

NEARLY_FULL_SOC = 0.97
"""From here on a charger floats. [1] Judgement."""

POLARISATION_V = {"flooded": 0.45, "agm": 0.4, "gel": 0.45, "lifepo4": 0.12}
"""What a charging 12 V battery shows above its open circuit, beyond resistance. [V] Judgement."""


def _given(value: float | None, default: float) -> float:
    return default if value is None else value


@dataclass
class State:
    """Everything that must survive a restart."""

    air_c: FloatArray
    food_kj_per_kg: FloatArray
    food_c: FloatArray
    unit_v: FloatArray
    wants: BoolArray
    on: BoolArray
    locked: BoolArray
    low_s: FloatArray
    high_s: FloatArray
    still_s: FloatArray
    q1_ah: FloatArray
    q2_ah: FloatArray

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
        banks = scenario.banks
        position = {bank.id: i for i, (bank, _) in enumerate(banks)}
        volts = {bank.id: float(bank.nominal_v) for bank, _ in banks}

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
        self._on_bank = np.array([u.supply.kind == "battery" for u in fleet])
        self._bank: IntArray = np.array([position.get(u.supply.bank or "", 0) for u in fleet], dtype=np.int64)
        nominal = np.array([volts.get(u.supply.bank or "", 12.0) for u in fleet])
        self._nominal_v = nominal
        self._running_w = nominal * np.array(
            [
                _given(u.compressor.running_a, DEFAULT_RUNNING_A * 12.0 / v)
                for u, v in zip(fleet, nominal, strict=True)
            ]
        )
        self._path_ohm = np.array(
            [
                cable_ohm(length_m=u.supply.cable_length_m, section_mm2=u.supply.cable_mm2)
                + p.joint_mohm / 1000.0
                for u, p in scenario.units
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
        self._set_banks(scenario)

    def _set_banks(self, scenario: Scenario) -> None:
        banks = scenario.banks
        chemistries = [bank.chemistry for bank, _ in banks]
        twelves = np.array([bank.nominal_v / 12.0 for bank, _ in banks])
        wells = [wells_of(c) for c in chemistries]
        self._share = np.array([w.available_share for w in wells])
        rate = np.array([w.rate_per_h for w in wells])
        self._full_ah = np.array(
            [b.capacity_ah * p.health * w.capacity_ratio for (b, p), w in zip(banks, wells, strict=True)]
        )
        self._fill_h = (1.0 - np.exp(-rate * STEP_H)) / rate
        self._rate = rate
        self._start_soc = np.array([p.start_soc for _, p in banks])
        self._open_v = np.array([OPEN_CIRCUIT_V[c] for c in chemistries]).reshape(-1, 11) * twelves[:, None]
        self._row = np.arange(len(banks))
        self._fresh_ohm = np.array(
            [
                p.resistance_mohm / 1000.0
                if p.resistance_mohm is not None
                else FRESH_OHM_AH / b.capacity_ah * k * k
                for (b, p), k in zip(banks, twelves, strict=True)
            ]
        )
        self._exponent = np.array([RESISTANCE_EXPONENT[c] for c in chemistries])
        self._efficiency = np.array([COULOMBIC_EFFICIENCY[c] for c in chemistries])
        self._absorb_v = np.array(
            [
                _given(p.absorption_v, ABSORPTION_V[b.chemistry] * k)
                for (b, p), k in zip(banks, twelves, strict=True)
            ]
        )
        self._float_v = np.array([FLOAT_V[c] for c in chemistries]) * twelves
        self._lift_v = np.array([POLARISATION_V[c] for c in chemistries]) * twelves
        self._other_a = np.array([b.other_load_a for b, _ in banks])
        self._twelves = twelves

    def start(self) -> State:
        """Return a state to begin from: every cabinet at its set point."""
        n, m = self._set_c.size, self._row.size
        content = enthalpy_kj_per_kg(self._set_c)
        off = np.zeros(n, dtype=bool)
        held = self._full_ah * self._start_soc
        return State(
            air_c=self._set_c.copy(),
            food_kj_per_kg=content,
            food_c=temperature_of(content),
            unit_v=self._nominal_v * 1.05,
            wants=off.copy(),
            on=off.copy(),
            locked=off.copy(),
            low_s=np.zeros(n),
            high_s=np.zeros(n),
            still_s=np.full(n, 3600.0),
            q1_ah=held * self._share,
            q2_ah=held * (1.0 - self._share) if m else np.zeros(0),
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

    def _open_circuit_v(self, level: FloatArray) -> FloatArray:
        at = level * 10.0
        low = np.minimum(at.astype(np.int64), 9)
        part = at - low
        left = self._open_v[self._row, low]
        volts: FloatArray = left + (self._open_v[self._row, low + 1] - left) * part
        return volts

    def _flow(
        self, loads_a: FloatArray, source_a: FloatArray, missing_ah: FloatArray, room_a: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return charge and discharge current of each bank; charging obeys what the bank accepts."""
        spare_a = source_a - loads_a
        accept_a = np.minimum(missing_ah, room_a) / self._efficiency
        return np.minimum(np.maximum(spare_a, 0.0), np.maximum(accept_a, 0.0)), np.maximum(-spare_a, 0.0)

    def advance(
        self, state: State, outside_c: FloatArray, lid_w_per_k: FloatArray, source_a: FloatArray
    ) -> Step:
        """Move the state one step on and return what it shows at the end of the step."""
        self._switch(state)
        unit_a, bank_v, soc = self._electric(state, outside_c, source_a)
        low = state.on & self._on_bank & (state.unit_v < self._cutout_v)
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
            unit_a=unit_a,
            bank_v=bank_v,
            soc=soc,
            entered_j=entered_j,
            removed_w=removed_w,
        )

    def _electric(
        self, state: State, outside_c: FloatArray, source_a: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return current of each unit, voltage of each bank and its state of charge; moves the charge."""
        watts = state.on * self._running_w * (1.0 + 0.008 * (outside_c - 32.0)) + self._standby_w * self._runs
        full = self._full_ah
        held = state.q1_ah + state.q2_ah
        soc = held / full
        level = np.minimum(np.maximum(state.q1_ah / (self._share * full), 0.0), 1.0)
        open_v = self._open_circuit_v(level)
        inner = resistance_ohm(self._fresh_ohm, soc, exponent=self._exponent)
        room_a = (self._share * full - state.q1_ah) / self._fill_h
        other_a = self._other_a * (soc > OTHERS_STOP_SOC)
        # The units' currents at the voltage of the last step: 4 % of one current at most, after a start.
        asked_a = self._on_bank * watts / state.unit_v
        loads_a = np.bincount(self._bank, weights=asked_a, minlength=soc.size) + other_a
        charge_a, drain_a = self._flow(loads_a, source_a, full - held, room_a)
        lifted = open_v + self._lift_v * charge_a / (charge_a + 1.0) + 5.0 * self._fresh_ohm * charge_a
        charging_v = np.where(
            charge_a + loads_a < 0.95 * source_a,
            np.where(soc > NEARLY_FULL_SOC, self._float_v, self._absorb_v),
            np.minimum(lifted, self._absorb_v),
        )
        bank_v = np.where((source_a > 0.0) & (drain_a <= 0.0), charging_v, open_v - drain_a * inner)
        state.unit_v = self._terminal_v(bank_v, watts)
        self._move_charge(state, drain_a - charge_a * self._efficiency)
        return watts / state.unit_v, bank_v, soc

    def _terminal_v(self, bank_v: FloatArray, watts: FloatArray) -> FloatArray:
        """Return the units' voltage: the upper root of constant power behind the path's resistance."""
        source_v = (
            np.where(self._on_bank, bank_v[self._bank], self._nominal_v) if bank_v.size else self._nominal_v
        )
        rest = np.maximum(source_v * source_v - 4.0 * self._path_ohm * watts * self._on_bank, 0.0)
        volts: FloatArray = 0.5 * (source_v + np.sqrt(rest))
        return volts

    def _move_charge(self, state: State, current_a: FloatArray) -> None:
        """Let the wells give or take the current of this step, within empty and full."""
        q1, q2 = kibam_after(
            state.q1_ah, state.q2_ah, current_a, hours=STEP_H, share=self._share, rate_per_h=self._rate
        )
        state.q1_ah = np.minimum(np.maximum(q1, 0.0), self._share * self._full_ah)
        state.q2_ah = np.minimum(q2, (1.0 - self._share) * self._full_ah)
