"""Every stop of a unit for want of voltage, supply or a compressor that turns, with its true cause."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import Multipliers
from firmware_sim.history import Block
from firmware_sim.plant.cable import cable_ohm
from firmware_sim.plant.sizes import STARTING_RATIO
from firmware_sim.scenarios.fault_kinds import CHARGER_PARAMETER
from firmware_sim.scenarios.joined import Scenario
from services.telemetry import FloatArray

StopKind = Literal["low_voltage", "no_supply", "brown_out", "does_not_turn"]
"""Held off by its own cut-out; nothing at its terminals; electronics out at low voltage; machine stands."""

Cause = Literal["battery_flat", "battery_weak", "wiring", "charging", "limits", "supply_interrupted", "unit"]

SOUND_JOINT_OHM = 0.015
"""Fuse, plug and lugs in good order. [ohm] Judgement."""

USUAL_CUTOUT_V = 11.9
"""A cut-out set above this stops sound 12 V batteries (upper end of common practice, no source). [V]"""

WEAK_SHARE = 0.7
"""A bank with less of its label's capacity is weak. [1] Judgement."""

WEAK_RESISTANCE = 1.8
"""So is one whose resistance is this many times a sound one's. [1] Judgement."""

HALF = 0.5
"""A charger that gives less than this share, or a relay stuck more than this, is out of order. [1]"""

USUAL_A = 4.2
"""Of a machine at 12 V whose current the fleet file does not give. [A] Judgement."""

DEAD_V = 1.0
"""Below it nothing is fed. [V]"""

HOT_C = 60.0
"""A machine that stands with its condenser hotter than this was stopped by its protector. [°C] Judgement."""


@dataclass
class Stop:
    """One stop; end None means it lasts on."""

    kind: StopKind
    start_ms: int
    end_ms: int | None
    cause: Cause
    why: str
    unit_v: float
    """At the unit, in the last step before. [V]"""
    bank_v: float
    soc: float


class StopKeeper:
    """Finds stops in the blocks of one run, in order."""

    def __init__(self, scenario: Scenario) -> None:
        fleet = [unit for unit, _ in scenario.units]
        banks = {bank.id: (k, bank, physics) for k, (bank, physics) in enumerate(scenario.banks)}
        own = [banks.get(unit.supply.bank or "") for unit in fleet]
        self._bank = [-1 if entry is None else entry[0] for entry in own]
        twelves = np.array([1.0 if entry is None else entry[1].nominal_v / 12.0 for entry in own])
        self._sound_ohm = np.array(
            [
                cable_ohm(length_m=u.supply.cable_length_m, section_mm2=u.supply.cable_mm2) + SOUND_JOINT_OHM
                for u in fleet
            ]
        )
        self._cutout_v = np.array(
            [
                11.4 * k if u.supply.cutout_v is None else u.supply.cutout_v
                for u, k in zip(fleet, twelves, strict=True)
            ]
        )
        self._starting_a = STARTING_RATIO * np.array(
            [
                USUAL_A / k if u.compressor.running_a is None else u.compressor.running_a
                for u, k in zip(fleet, twelves, strict=True)
            ]
        )
        self._twelves = twelves
        self._health = np.array([p.health for _, p in scenario.banks])
        self._ohm_ratio = np.array(
            [
                1.0
                if p.resistance_mohm is None
                else p.resistance_mohm / (550.0 / b.capacity_ah * b.nominal_v / 12.0)
                for b, p in scenario.banks
            ]
        )
        self._stops: list[list[Stop]] = [[] for _ in fleet]
        self._last: dict[str, npt.NDArray[Any]] = {}

    def take(self, block: Block) -> None:
        """Take note of a block."""
        true = block.true
        if not self._last:
            self._last = {name: values[0] for name, values in true.items()}

        def whole(name: str) -> npt.NDArray[Any]:
            return np.concatenate([self._last[name][None], true[name]])

        dead = whole("unit_v") < DEAD_V
        self._turns(block, "low_voltage", whole("locked").astype(bool) & ~dead)
        self._turns(block, "no_supply", dead)
        if "alive" in true:
            self._turns(block, "brown_out", ~whole("alive").astype(bool) & ~dead)
        if "failed_starts" in true:
            self._standing(block, whole("failed_starts"))
        self._last = {name: values[-1] for name, values in true.items()}

    def _before(self, block: Block, name: str, row: int, unit: int) -> float:
        values = self._last[name] if row == 0 else block.true[name][row - 1]
        return float(values[unit])

    def _turns(self, block: Block, kind: StopKind, state: npt.NDArray[np.bool_]) -> None:
        for row, unit in np.argwhere(state[1:] != state[:-1]):
            at_ms = int(block.t_ms[row])
            cause: Cause
            if not state[row + 1, unit]:
                self._end(kind, int(unit), at_ms)
                continue
            unit_v, bank_v, soc, unit_a = (
                self._before(block, name, int(row), int(unit))
                for name in ("unit_v", "bank_v", "soc", "unit_a")
            )
            parted = _parted(block.faults, int(unit), self._bank[unit])
            if kind == "no_supply" and parted is not None:
                cause, why = "supply_interrupted", parted
            elif kind == "no_supply" and self._bank[unit] < 0:
                cause, why = "supply_interrupted", "mains or generator gave nothing"
            else:
                wires = kind != "no_supply"  # a bank's protection board looks at the bank alone
                cause, why = self._cause(int(unit), bank_v, soc, unit_a, block.faults, wires=wires)
            self._stops[unit].append(Stop(kind, at_ms, None, cause, why, unit_v, bank_v, soc))

    def _end(self, kind: StopKind, unit: int, at_ms: int) -> None:
        for stop in reversed(self._stops[unit]):
            if stop.kind == kind and stop.end_ms is None:
                stop.end_ms = at_ms
                return

    def _standing(self, block: Block, failed: npt.NDArray[Any]) -> None:
        """Find machines that are told to run and do not turn; the stop ends when one turns again."""
        turns = np.asarray(block.true["on"], dtype=bool)
        more = failed[1:] > failed[:-1]
        concerned = set(np.flatnonzero(more.any(axis=0)).tolist())
        concerned |= {unit for unit in range(turns.shape[1]) if self._stands(unit) is not None}
        for unit in sorted(concerned):
            for row in np.flatnonzero(more[:, unit] | turns[:, unit]):
                stop, at_ms = self._stands(unit), int(block.t_ms[row])
                if turns[row, unit] and stop is not None:
                    stop.end_ms = at_ms
                elif more[row, unit] and stop is None:
                    self._stops[unit].append(self._stood(block, int(row), unit))

    def _stands(self, unit: int) -> Stop | None:
        """Return the stop of a machine that does not turn at present."""
        open_stops = (s for s in self._stops[unit] if s.kind == "does_not_turn" and s.end_ms is None)
        return next(open_stops, None)

    def _stood(self, block: Block, row: int, unit: int) -> Stop:
        volts, bank_v, soc = (self._before(block, name, row, unit) for name in ("unit_v", "bank_v", "soc"))
        hot_c = self._before(block, "condensing_c", row, unit) if "condensing_c" in block.true else 0.0
        cause: Cause = "unit"
        why = "told to run, does not turn"
        starved = "starved" in block.true and self._before(block, "starved", row, unit) > HALF
        if hot_c > HOT_C:
            why = f"protector open, condenser at {hot_c:.0f} °C"
        elif starved:
            cause, words = self._cause(unit, bank_v, soc, self._starting_a[unit], block.faults, wires=True)
            why = f"{volts:.2f} V are too little for a start: {words}"
        return Stop("does_not_turn", int(block.t_ms[row]), None, cause, why, volts, bank_v, soc)

    def _cause(
        self, unit: int, bank_v: float, soc: float, unit_a: float, faults: Multipliers, *, wires: bool
    ) -> tuple[Cause, str]:
        """Return why the voltage at a unit was too low: what would have had to be sound to avoid the stop."""
        sound_v = bank_v - unit_a * self._sound_ohm[unit]
        file_v = float(self._cutout_v[unit])
        cutout_v = file_v + _at(faults, "cutout_v_added", unit, 0.0) * float(self._twelves[unit])
        bank = self._bank[unit]
        if bank < 0:
            return "supply_interrupted", "not on a battery"
        if wires and cutout_v > file_v and sound_v >= file_v:
            return "limits", f"cut-out turned up to {cutout_v:.1f} V"
        usual = cutout_v <= USUAL_CUTOUT_V * self._twelves[unit]
        if wires and usual and sound_v >= cutout_v:
            return "wiring", f"with sound wiring the unit would have seen {sound_v:.2f} V"
        return self._of_bank(bank, soc, cutout_v, faults, unusual=wires and not usual)

    def _of_bank(
        self, bank: int, soc: float, cutout_v: float, faults: Multipliers, *, unusual: bool
    ) -> tuple[Cause, str]:
        """Return why a bank was low: not charged, worn, asked for too early, or simply flat."""
        out = [name for name in CHARGER_PARAMETER.values() if _at(faults, name, bank, 1.0) < HALF]
        if out or _at(faults, "relay_stuck_open", bank, 0.0) > HALF:
            return "charging", f"no charge from {', '.join(out) if out else 'the split-charge relay'}"
        share = float(self._health[bank]) * _at(faults, "capacity", bank, 1.0)
        worn = float(self._ohm_ratio[bank]) * _at(faults, "resistance", bank, 1.0)
        if share < WEAK_SHARE or worn >= WEAK_RESISTANCE:
            return "battery_weak", f"{share:.0%} of the label's capacity, {worn:.1f} times a sound resistance"
        if unusual:
            return "limits", f"cut-out set to {cutout_v:.1f} V"
        return "battery_flat", f"state of charge {soc:.0%}"

    def of(self, unit: int) -> list[Stop]:
        """Return the stops of a unit in order of their beginning."""
        return sorted(self._stops[unit], key=lambda stop: stop.start_ms)


def _parted(faults: Multipliers, unit: int, bank: int) -> str | None:
    """Return what somebody opened between a unit and its supply."""
    if _at(faults, "unplugged", unit, 0.0) > HALF:
        return "plug pulled"
    return "isolator open" if bank >= 0 and _at(faults, "isolator_open", bank, 0.0) > HALF else None


def _at(faults: Multipliers, name: str, index: int, neutral: float) -> float:
    values: FloatArray | None = faults.get(name)
    return neutral if values is None else float(values[index])
