"""Faults over time: what every fault of a scenario does to the parameters of physics and firmware.

A pure function of scenario, anchor and time, so that a run in pieces equals one run. Beginnings and ends are
held to a grid of ten minutes, growth to one of two hours.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from firmware_sim.scenarios.fault_kinds import CHARGER_PARAMETER, KINDS, Law, Parameter
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import Fault
from firmware_sim.scenarios.moments import begins_ms
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

GRID_MS = 10 * MINUTE_MS
"""Beginnings and ends of faults fall on whole multiples."""

GROWTH_GRID_MS = 2 * HOUR_MS
"""A growing fault moves at whole multiples."""

NEVER_MS = 2**62

Multipliers = dict[str, FloatArray]


@dataclass(frozen=True)
class Told:
    """One fault as the truth file tells it."""

    kind: str
    label: str
    words: str
    target: str
    begins_ms: int
    full_ms: int
    """When it has grown to its full extent."""
    ends_ms: int | None
    parameters: Mapping[str, float]
    """Values at full growth."""
    other: str | None = None


def grown(share: FloatArray, law: Law) -> FloatArray:
    """Return how far a fault has grown when this share of its time to grow has passed, 0 to 1."""
    if law == "slow_then_fast":
        return share**2.5
    if law == "fast_then_slow":
        faster: FloatArray = (1.0 - np.exp(-3.0 * share)) / (1.0 - np.exp(-3.0))
        return faster
    return share


def on_grid_ms(t_ms: int) -> int:
    """Return the first point of the grid at or after a moment."""
    return -(-t_ms // GRID_MS) * GRID_MS


def parameters_of(fault: Fault) -> tuple[Parameter, ...]:
    """Return what one fault moves, its own amount put in for the first parameter's."""
    parameters = KINDS[fault.kind].parameters
    if fault.source is not None:
        parameters = (Parameter(CHARGER_PARAMETER[fault.source], 0.0),)
    if fault.clock_step_s is not None:
        return (Parameter("clock_step_s", fault.clock_step_s, "plus"),)
    if fault.amount is not None and parameters:
        first = parameters[0]
        parameters = (Parameter(first.name, fault.amount, first.joining), *parameters[1:])
    return parameters


@dataclass(frozen=True)
class _Row:
    fault: int
    target: int
    parameter: Parameter


class Faults:
    """All faults of a scenario, ready to be asked at any instant."""

    def __init__(self, scenario: Scenario, *, anchor_ms: int) -> None:
        self._faults = scenario.faults
        self._units = {unit: i for i, unit in enumerate(scenario.unit_ids)}
        self._banks = {bank.id: i for i, (bank, _) in enumerate(scenario.banks)}
        zones = {site.id: ZoneInfo(site.timezone) for site, _ in scenario.sites}
        site_of_unit = {unit.id: unit.site for unit, _ in scenario.units}
        site_of_bank = {unit.supply.bank: unit.site for unit, _ in reversed(scenario.units)}
        self.begins_ms: IntArray = np.empty(len(self._faults), dtype=np.int64)
        self.ends_ms: IntArray = np.full(len(self._faults), NEVER_MS, dtype=np.int64)
        self._grows_ms = np.zeros(len(self._faults))
        for k, fault in enumerate(self._faults):
            site = site_of_unit.get(fault.unit or "") or site_of_bank.get(fault.bank)
            zone = zones[site] if site is not None else ZoneInfo("UTC")
            self.begins_ms[k] = on_grid_ms(begins_ms(fault, anchor_ms=anchor_ms, zone=zone))
            if fault.lasts_h is not None:
                self.ends_ms[k] = on_grid_ms(int(self.begins_ms[k]) + round(fault.lasts_h * HOUR_MS))
            grows_h = KINDS[fault.kind].grows_h if fault.grows_h is None else fault.grows_h
            self._grows_ms[k] = grows_h * HOUR_MS
        self._laws = [f.law if f.law is not None else KINDS[f.kind].law for f in self._faults]
        self._rows: dict[str, list[_Row]] = {}
        for k, fault in enumerate(self._faults):
            for parameter in parameters_of(fault):
                target = self._units[fault.unit] if fault.unit is not None else self._banks[fault.bank or ""]
                self._rows.setdefault(parameter.name, []).append(
                    _Row(k, target, self._settled(fault, parameter))
                )

    def _settled(self, fault: Fault, parameter: Parameter) -> Parameter:
        if fault.other is None:
            return parameter
        return Parameter(parameter.name, float(self._units[fault.other]), parameter.joining)

    def growth(self, t_ms: IntArray) -> FloatArray:
        """Return how far every fault has grown, (times, faults), 0 to 1; 0 before and after it."""
        at = t_ms[:, None]
        held = at // GROWTH_GRID_MS * GROWTH_GRID_MS
        lasting = self._grows_ms > 0.0
        share = np.where(
            lasting, np.clip((held - self.begins_ms) / np.where(lasting, self._grows_ms, 1.0), 0.0, 1.0), 1.0
        )
        for k, law in enumerate(self._laws):
            share[:, k] = grown(share[:, k], law)
        return share * ((at >= self.begins_ms) & (at < self.ends_ms))

    def over(self, t_ms: IntArray) -> dict[str, npt.NDArray[np.float64]]:
        """Return every parameter some fault moves, (times, units or banks); the others are as built."""
        growth = self.growth(t_ms)
        moved = {}
        for name, rows in self._rows.items():
            on_units = KINDS[self._faults[rows[0].fault].kind].on == "unit"
            size = len(self._units) if on_units else len(self._banks)
            moved[name] = self._joined(rows, growth, np.empty((t_ms.size, size)))
        return moved

    @staticmethod
    def _joined(rows: list[_Row], growth: FloatArray, into: FloatArray) -> FloatArray:
        joining = rows[0].parameter.joining
        into[:] = np.arange(into.shape[1]) if joining == "index" else rows[0].parameter.neutral
        for row in rows:
            grown_by, column, full = growth[:, row.fault], into[:, row.target], row.parameter.full
            if joining == "times":
                into[:, row.target] = column * (1.0 + (full - 1.0) * grown_by)
            elif joining == "plus":
                into[:, row.target] = column + full * grown_by
            else:
                into[:, row.target] = np.where(grown_by > 0.0, full, column)
        return into

    def multipliers(self, t_ms: int) -> Multipliers:
        """Return every parameter some fault moves, as it is at one instant; the others are as built."""
        return {name: values[0] for name, values in self.over(np.array([t_ms], dtype=np.int64)).items()}

    def next_change_ms(self, t_ms: int) -> int:
        """Return the first moment after `t_ms` at which any parameter may move."""
        if not self._faults:
            return NEVER_MS
        edges = np.concatenate([self.begins_ms, self.ends_ms])
        later = edges[edges > t_ms]
        following = int(later.min()) if later.size else NEVER_MS
        growing = (self.begins_ms <= t_ms) & (t_ms < np.minimum(self.ends_ms, self._grown_by_ms()))
        if growing.any():
            following = min(following, (t_ms // GROWTH_GRID_MS + 1) * GROWTH_GRID_MS)
        return following

    def _grown_by_ms(self) -> IntArray:
        """Return when every fault stands still: the first point of the growth grid at full extent."""
        full_ms = (self.begins_ms + self._grows_ms).astype(np.int64)
        settled: IntArray = np.where(
            self._grows_ms > 0.0, -(-full_ms // GROWTH_GRID_MS) * GROWTH_GRID_MS, self.begins_ms
        )
        return settled

    def told(self) -> list[Told]:
        """Return every fault with its exact times, in the scenario's order."""
        full_ms = self._grown_by_ms()
        return [
            Told(
                kind=fault.kind,
                label=fault.label if fault.label is not None else fault.kind,
                words=KINDS[fault.kind].words,
                target=fault.unit if fault.unit is not None else fault.bank or "",
                begins_ms=int(self.begins_ms[k]),
                full_ms=int(full_ms[k]),
                ends_ms=self._end_of(fault, k),
                parameters={p.name: self._settled(fault, p).full for p in parameters_of(fault)},
                other=fault.other,
            )
            for k, fault in enumerate(self._faults)
        ]

    def _end_of(self, fault: Fault, k: int) -> int | None:
        if fault.is_instant:
            return int(self.begins_ms[k])
        return None if self.ends_ms[k] == NEVER_MS else int(self.ends_ms[k])
