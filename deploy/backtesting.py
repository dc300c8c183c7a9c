"""Plays scenarios with fresh seeds and keeps what back-tests need: what was measured, beside what was so."""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from deploy.simulate_units import fleet_tables, fleet_toml
from firmware_sim.faults import Multipliers, Told
from firmware_sim.history import Block, Simulator, read_by, sampled_rows
from firmware_sim.plant.cable import cable_ohm
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.sensors import COLUMN_OF
from firmware_sim.stops import SOUND_JOINT_OHM, Cause, Stop, StopKeeper
from services.domain import Bank, Fleet, Site, Unit, UnitSettings
from services.domain.fleetfile import parse_fleet
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import MINUTE_MS

LARGEST_SEED = 1_000_000

WORN_JOINT_OHM = 0.05
"""A path this much above a sound one's is at fault: a worn set of plug and lugs has 50 to 200 mΩ, a good one
5 to 30 (common practice, no source). [Ω at 12 V]"""

CHARGER_FAULTS = frozenset({"failed_charger", "relay_stuck_open"})

BANK_FAULTS = frozenset({"weak_battery", "sulphated_bank"})

AGAIN_MS = 5 * MINUTE_MS
"""A machine that turned shorter than this only tried."""


@dataclass(frozen=True)
class Moved:
    """A unit put on another bank for a while; the logs are not told."""

    unit: int
    """Place in the scenario."""
    bank: int
    """Place of the other bank."""
    start_ms: int
    end_ms: int


@dataclass(frozen=True)
class Outage:
    """A stretch in which cooling was wanted and missing, tries included."""

    start_ms: int
    end_ms: int | None
    missing_ms: int
    starved_ms: int
    """Of it, how long the voltage was too low for a start to succeed."""


@dataclass(frozen=True)
class Played:
    """One unit of one run."""

    unit: str
    settings: UnitSettings
    series: Series
    """As its board sent it."""
    stops: tuple[Stop, ...]
    """Every stop for want of voltage, supply or a machine that turns."""
    outages: tuple[Outage, ...]
    """What came of them, and of machines that were switched off."""
    moves: tuple[Moved, ...]
    faults: tuple[Told, ...]
    """Of the unit and of its bank."""
    uncharged_ms: int | None
    """Since when a charger of its bank is out of order."""
    wearing_ms: int | None
    """Since when its bank is wearing out."""
    soc: FloatArray
    """True state of charge of its bank at the samples; NaN without one."""


def fresh_seeds(count: int) -> tuple[int, ...]:
    """Return seeds nobody has seen before, so that nothing can be fitted to them."""
    return tuple(secrets.randbelow(LARGEST_SEED) for _ in range(count))


def reseeded(scenario: Scenario, seed: int) -> Scenario:
    """Return a scenario with other weather, use and noise."""
    return replace(scenario, seed=seed)


class _Movable(Simulator):
    """A simulated world in which people move units from bank to bank."""

    def __init__(
        self, scenario: Scenario, *, anchor_ms: int, start_ms: int, moves: Sequence[Moved] = ()
    ) -> None:
        super().__init__(scenario, anchor_ms=anchor_ms, start_ms=start_ms)
        self._moves = moves
        self._edges_ms = sorted({t for move in moves for t in (move.start_ms, move.end_ms)})
        self._own_bank = self.plant.electrics._bank.copy()  # noqa: SLF001 - only back-tests move units
        if moves:
            self._next_change_ms = self.reached_ms

    def _apply_faults(self) -> None:
        if self.reached_ms < self._next_change_ms:
            return
        later = [t for t in self._edges_ms if t > self.reached_ms]
        bank = self._own_bank.copy()
        for move in self._moves:
            if move.start_ms <= self.reached_ms < move.end_ms:
                bank[move.unit] = move.bank
        self.plant.electrics._bank = bank  # noqa: SLF001 - as above
        super()._apply_faults()
        self._next_change_ms = min([self._next_change_ms, *later])

    @property
    def set_point_c(self) -> FloatArray:
        """What thermostats are set to now [°C]."""
        aims: FloatArray = self.plant._now.limits.set_point_c  # noqa: SLF001 - not told otherwise
        return aims

    @property
    def runs(self) -> npt.NDArray[np.bool_]:
        """Which units are switched on now."""
        running: npt.NDArray[np.bool_] = self.plant._now.runs  # noqa: SLF001 - as above
        return running

    @property
    def least_start_v(self) -> FloatArray:
        """What terminals must show before a start for it to succeed [V]."""
        least: FloatArray = self.plant._now.least_start_v  # noqa: SLF001 - as above
        return least


def settings_of(scenario: Scenario) -> dict[str, UnitSettings]:
    """Return what the service is told about every unit: the fleet file, or the scenario where it has none."""
    if scenario.fleet_path.is_file():
        text = fleet_toml(fleet_tables(scenario))
        fleet = parse_fleet(text, name=scenario.fleet_path.name)
    else:
        fleet = Fleet(
            sites=tuple(
                Site(id=site.id, name=site.id, kind="vehicle", timezone=site.timezone)
                for site, _ in scenario.sites
            ),
            banks=tuple(Bank.model_validate(bank.model_dump()) for bank, _ in scenario.banks),
            units=tuple(Unit.model_validate(unit.model_dump()) for unit, _ in scenario.units),
        )
    return {unit.id: fleet.settings_of(unit.id) for unit in fleet.units}


class _Causes(StopKeeper):
    """True causes, for which a path must be worn and not just warm."""

    def __init__(self, scenario: Scenario) -> None:
        super().__init__(scenario)
        fleet = [unit for unit, _ in scenario.units]
        self._cable_ohm = [
            cable_ohm(length_m=u.supply.cable_length_m, section_mm2=u.supply.cable_mm2) for u in fleet
        ]
        self._joint_ohm = [physics.joint_mohm / 1000.0 for _, physics in scenario.units]

    def _cause(
        self, unit: int, bank_v: float, soc: float, unit_a: float, faults: Multipliers, *, wires: bool
    ) -> tuple[Cause, str]:
        cause, why = super()._cause(unit, bank_v, soc, unit_a, faults, wires=wires)
        if cause == "wiring" and self._excess_ohm(unit, faults) < WORN_JOINT_OHM * self._twelves[unit] ** 2:
            cause, why = super()._cause(unit, 0.0, soc, unit_a, faults, wires=wires)
        return cause, why

    def _excess_ohm(self, unit: int, faults: Multipliers) -> float:
        """Return how much a path is above a sound one at the same temperature."""
        factor = faults["cable_ohm"][unit] if "cable_ohm" in faults else 1.0
        added = faults["joint_ohm_added"][unit] if "joint_ohm_added" in faults else 0.0
        return float(self._cable_ohm[unit] * (factor - 1.0) + self._joint_ohm[unit] + added - SOUND_JOINT_OHM)


class _Wants:
    """What the thermostats asked for and did not get, step by step."""

    def __init__(self, scenario: Scenario) -> None:
        self._half_k = np.array([p.half_differential_k for _, p in scenario.units])
        self._asks = np.zeros(len(scenario.units), dtype=bool)
        self._t_ms: list[IntArray] = []
        self._missing: list[npt.NDArray[np.bool_]] = []
        self._turning: list[npt.NDArray[np.bool_]] = []
        self._starved: list[npt.NDArray[np.bool_]] = []

    def take(
        self, block: Block, set_point_c: FloatArray, runs: npt.NDArray[np.bool_], start_v: FloatArray
    ) -> None:
        seen_c = np.where(runs, block.true["probe_c"], block.true["air_c"])
        above = np.asarray(seen_c, dtype=np.float64) - set_point_c
        word = np.where(above >= self._half_k, 1, np.where(above <= -self._half_k, -1, 0))
        rows = np.arange(word.shape[0])[:, None]
        last = np.maximum.accumulate(np.where(word != 0, rows, -1), axis=0)
        held = np.take_along_axis(word, np.maximum(last, 0), axis=0) > 0
        asks = np.where(last >= 0, held, self._asks)
        turning = np.asarray(block.true["on"], dtype=np.bool_)
        self._asks = asks[-1]
        self._t_ms.append(block.t_ms)
        self._missing.append(asks & ~turning)
        self._turning.append(turning)
        self._starved.append(asks & ~turning & (np.asarray(block.true["unit_v"]) < start_v))

    def outages(self) -> list[tuple[Outage, ...]]:
        """Return for every unit the stretches in which cooling was missing."""
        t_ms = np.concatenate(self._t_ms)
        missing, turning = np.concatenate(self._missing), np.concatenate(self._turning)
        starved = np.concatenate(self._starved)
        return [_outages(t_ms, missing[:, i], turning[:, i], starved[:, i]) for i in range(missing.shape[1])]


def _outages(
    t_ms: IntArray,
    missing: npt.NDArray[np.bool_],
    turning: npt.NDArray[np.bool_],
    starved: npt.NDArray[np.bool_],
) -> tuple[Outage, ...]:
    """Join missing steps between which the machine never turned for long."""
    at = np.flatnonzero(missing)
    if at.size == 0:
        return ()
    step_ms = int(t_ms[1] - t_ms[0])
    turned = np.concatenate([[0], np.cumsum(turning)])
    between_ms = (turned[at[1:]] - turned[at[:-1] + 1]) * step_ms
    asked_on = np.diff(at) * step_ms - between_ms <= step_ms  # it never stopped by itself in between
    split = np.flatnonzero((between_ms > AGAIN_MS) | ~asked_on & (between_ms > 0))
    first = np.concatenate([[0], split + 1])
    last = np.concatenate([split, [at.size - 1]])
    found = []
    for low, high in zip(first, last, strict=True):
        ends = at[high] + 1 < t_ms.size
        found.append(
            Outage(
                int(t_ms[at[low]]),
                int(t_ms[at[high] + 1]) if ends else None,
                int(high - low + 1) * step_ms,
                int(np.sum(starved[at[low] : at[high] + 1])) * step_ms,
            )
        )
    return tuple(found)


def play(
    scenario: Scenario,
    *,
    start_ms: int,
    end_ms: int,
    moves: Sequence[Moved] = (),
    anchor_ms: int | None = None,
) -> list[Played]:
    """Simulate a stretch of time and return every unit that sends, with the truth beside it.

    Parameters
    ----------
    scenario : Scenario
        Its faults act; their times count back from the end.
    start_ms, end_ms : int
        The stretch. [ms]
    moves : sequence of Moved
        Units put on other banks for a while.
    anchor_ms : int, optional
        From where the times of faults count back, where that is not the end. [ms]
    """
    anchor_ms = end_ms if anchor_ms is None else anchor_ms
    simulator = _Movable(scenario, anchor_ms=anchor_ms, start_ms=start_ms, moves=moves)
    stops, wants = _Causes(scenario), _Wants(scenario)
    gone_wrong = simulator.faults.told()
    kept = [i for i, (_, physics) in enumerate(scenario.units) if physics.runs]
    columns = {i: [COLUMN_OF[name] for name in scenario.units[i][1].channels] for i in kept}
    shown_columns = sorted({column for own in columns.values() for column in own})
    parts: dict[int, list[tuple[IntArray, FloatArray]]] = {i: [] for i in kept}
    for block in simulator.blocks(end_ms):
        stops.take(block)
        wants.take(block, simulator.set_point_c, simulator.runs, simulator.least_start_v)
        readings = {column: read_by(block, column) for column in shown_columns}
        for i in kept:
            unit, physics = scenario.units[i]
            rows = sampled_rows(
                block.t_ms, interval_s=unit.interval_s, phase_s=physics.phase_s, step_s=scenario.step_s
            )
            values = np.stack(
                [readings[column][rows, i] for column in columns[i]] + [block.true["soc"][rows, i]], axis=1
            )
            told = ~np.isnan(values[:, :-1]).all(axis=1)
            parts[i].append((block.t_ms[rows][told], values[told]))
    settings, outages = settings_of(scenario), wants.outages()
    played = []
    for i in kept:
        unit, _ = scenario.units[i]
        times = np.concatenate([part[0] for part in parts[i]])
        values = np.concatenate([part[1] for part in parts[i]])
        played.append(
            Played(
                unit=unit.id,
                settings=settings[unit.id],
                series=Series(times, {name: values[:, k].copy() for k, name in enumerate(columns[i])}),
                stops=tuple(stops.of(i)),
                outages=outages[i],
                moves=tuple(move for move in moves if move.unit == i),
                faults=tuple(fault for fault in gone_wrong if fault.target in {unit.id, unit.supply.bank}),
                uncharged_ms=_since_ms(simulator, unit.supply.bank, CHARGER_FAULTS),
                wearing_ms=_since_ms(simulator, unit.supply.bank, BANK_FAULTS),
                soc=values[:, -1].copy(),
            )
        )
    return played


def _since_ms(simulator: Simulator, bank: str | None, kinds: frozenset[str]) -> int | None:
    """Return when the first fault of some kinds began at a bank."""
    begun = [f.begins_ms for f in simulator.faults.told() if f.kind in kinds and f.target == bank]
    return min(begun, default=None)
