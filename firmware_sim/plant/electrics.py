"""Banks, wires and charging of the whole fleet: what a step of current does to voltage and charge."""

from dataclasses import dataclass

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
from firmware_sim.plant.cable import cable_ohm
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S
from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

FRESH_OHM_AH = 0.55
"""Internal resistance times capacity of a full 12 V battery: 5.5 mohm at 100 Ah. [ohm Ah]
Within the usual range of absorbed-mat and flooded blocks (common practice, no source)."""

OTHERS_STOP_SOC = 0.05
"""Lights and radio die below. [1] Judgement."""

NEARLY_FULL_SOC = 0.97
"""From here on a charger floats. [1] Judgement."""

POLARISATION_V = {"flooded": 0.45, "agm": 0.4, "gel": 0.45, "lifepo4": 0.12}
"""What a charging 12 V battery shows above its open circuit, beyond resistance. [V] Judgement."""

NO_SOURCE, SOME_SOURCE = 0, 1
"""Codes of `Supplied.source`."""


@dataclass
class ElectricState:
    """What of wires and banks must survive a restart; unit rows, then bank rows."""

    unit_v: FloatArray
    q1_ah: FloatArray
    q2_ah: FloatArray


@dataclass(frozen=True)
class Inputs:
    """What acts on the banks from outside in one step."""

    source_a: FloatArray
    """(m,) current that chargers offer. [A]"""


@dataclass(frozen=True)
class Supplied:
    """What one step of the electrics shows."""

    unit_v: FloatArray
    """(n,) at the units' terminals. [V]"""
    unit_a: FloatArray
    """(n,) [A]"""
    bank_v: FloatArray
    """(m,) at the banks' terminals. [V]"""
    soc: FloatArray
    """(m,) charge held over charge when full. [1]"""
    bank_a: FloatArray
    """(m,) out of the bank positive. [A]"""
    source: IntArray
    """(m,) what charges most."""


class Electrics:
    """Wires, banks and chargers of a scenario."""

    def __init__(self, scenario: Scenario) -> None:
        fleet = [u for u, _ in scenario.units]
        position = {bank.id: i for i, (bank, _) in enumerate(scenario.banks)}
        volts = {bank.id: float(bank.nominal_v) for bank, _ in scenario.banks}
        self.on_bank: BoolArray = np.array([u.supply.kind == "battery" for u in fleet])
        """(n,) fed by a bank."""
        self.nominal_v: FloatArray = np.array([volts.get(u.supply.bank or "", 12.0) for u in fleet])
        """(n,) nominal voltage of what feeds the unit. [V]"""
        self._bank: IntArray = np.array([position.get(u.supply.bank or "", 0) for u in fleet], dtype=np.int64)
        self._path_ohm = np.array(
            [
                cable_ohm(length_m=u.supply.cable_length_m, section_mm2=u.supply.cable_mm2)
                + p.joint_mohm / 1000.0
                for u, p in scenario.units
            ]
        )
        self._set_banks(scenario)

    def _set_banks(self, scenario: Scenario) -> None:
        banks = scenario.banks
        chemistries = [bank.chemistry for bank, _ in banks]
        twelves = np.array([bank.nominal_v / 12.0 for bank, _ in banks])
        wells = [wells_of(c) for c in chemistries]
        self._share = np.array([w.available_share for w in wells])
        self._rate = np.array([w.rate_per_h for w in wells])
        self._full_ah = np.array(
            [b.capacity_ah * p.health * w.capacity_ratio for (b, p), w in zip(banks, wells, strict=True)]
        )
        self._fill_h = (1.0 - np.exp(-self._rate * STEP_S / 3600.0)) / self._rate
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
                p.absorption_v if p.absorption_v is not None else ABSORPTION_V[b.chemistry] * k
                for (b, p), k in zip(banks, twelves, strict=True)
            ]
        )
        self._float_v = np.array([FLOAT_V[c] for c in chemistries]) * twelves
        self._lift_v = np.array([POLARISATION_V[c] for c in chemistries]) * twelves
        self._other_a = np.array([b.other_load_a for b, _ in banks])

    def start(self) -> ElectricState:
        """Return a state to begin from."""
        held = self._full_ah * self._start_soc
        return ElectricState(
            unit_v=self.nominal_v * 1.05, q1_ah=held * self._share, q2_ah=held * (1.0 - self._share)
        )

    def step(
        self,
        state: ElectricState,
        unit_w: FloatArray,
        inputs: Inputs,
        *,
        dt_s: float = STEP_S,
    ) -> Supplied:
        """Move the charge one step on and return what the wires show.

        Parameters
        ----------
        state : ElectricState
            Changed in place.
        unit_w : (n,) float64
            What the units take. [W]
        inputs : Inputs
            Chargers.
        dt_s : float
            Length of the step. [s]

        Returns
        -------
        Supplied
        """
        full = self._full_ah
        held = state.q1_ah + state.q2_ah
        soc = held / full
        level = np.minimum(np.maximum(state.q1_ah / (self._share * full), 0.0), 1.0)
        open_v = self._open_circuit_v(level)
        inner = resistance_ohm(self._fresh_ohm, soc, exponent=self._exponent)
        room_a = (self._share * full - state.q1_ah) / self._fill_h
        other_a = self._other_a * (soc > OTHERS_STOP_SOC)
        # The units' currents at the voltage of the last step: 4 % of one current at most, after a start.
        asked_a = self.on_bank * unit_w / state.unit_v
        loads_a = np.bincount(self._bank, weights=asked_a, minlength=soc.size) + other_a
        source_a = inputs.source_a
        charge_a, drain_a = self._flow(loads_a, source_a, full - held, room_a)
        lifted = open_v + self._lift_v * charge_a / (charge_a + 1.0) + 5.0 * self._fresh_ohm * charge_a
        charging_v = np.where(
            charge_a + loads_a < 0.95 * source_a,
            np.where(soc > NEARLY_FULL_SOC, self._float_v, self._absorb_v),
            np.minimum(lifted, self._absorb_v),
        )
        bank_v = np.where((source_a > 0.0) & (drain_a <= 0.0), charging_v, open_v - drain_a * inner)
        state.unit_v = self._terminal_v(bank_v, unit_w)
        self._move_charge(state, drain_a - charge_a * self._efficiency, dt_s)
        source = np.where(source_a > 0.0, SOME_SOURCE, NO_SOURCE)
        return Supplied(state.unit_v, unit_w / state.unit_v, bank_v, soc, drain_a - charge_a, source)

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

    def _terminal_v(self, bank_v: FloatArray, unit_w: FloatArray) -> FloatArray:
        """Return the units' voltage: the upper root of constant power behind the path's resistance."""
        source_v = (
            np.where(self.on_bank, bank_v[self._bank], self.nominal_v) if bank_v.size else self.nominal_v
        )
        rest = np.maximum(source_v * source_v - 4.0 * self._path_ohm * unit_w * self.on_bank, 0.0)
        volts: FloatArray = 0.5 * (source_v + np.sqrt(rest))
        return volts

    def _move_charge(self, state: ElectricState, current_a: FloatArray, dt_s: float) -> None:
        """Let the wells give or take the current of this step, within empty and full."""
        q1, q2 = kibam_after(
            state.q1_ah, state.q2_ah, current_a, hours=dt_s / 3600.0, share=self._share, rate_per_h=self._rate
        )
        state.q1_ah = np.minimum(np.maximum(q1, 0.0), self._share * self._full_ah)
        state.q2_ah = np.minimum(q2, (1.0 - self._share) * self._full_ah)
