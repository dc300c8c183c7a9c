"""What was really so: exact times above limits, every stop with its cause, charge, and faults.

Kept block by block, so that a year of a fleet needs no year in memory.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from firmware_sim.faults import Told
from firmware_sim.history import Block
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.stops import Stop, StopKeeper
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, iso_of

SCHEMA = "bushlarder/truth/1"

LINES_ABOVE_C = {"fridge": (4.0, 5.0, 7.0, 8.0, 10.0), "freezer": (-18.0, -15.0, -12.0, -5.0, 4.0, 5.0)}
"""Limits above which time is kept, by kind of unit. [°C]"""

LINES_BELOW_C = {"fridge": (0.0, 2.0), "freezer": ()}
"""Limits below which time is kept. [°C]"""

RISK_C = {"fridge": (4.0, 5.0, 7.0), "freezer": (-15.0, -12.0, -5.0)}
"""Limits for the times at which food comes to be at risk. [°C]"""

NODES = ("air_c", "food_c")
"""Air, and the core of the food that was in from the beginning."""


@dataclass
class _Line:
    """One node of one unit against one limit."""

    open_ms: float | None = None
    episodes_ms: list[tuple[float, float]] = field(default_factory=list)

    def turn(self, at_ms: float, *, beyond: bool) -> None:
        if beyond:
            self.open_ms = at_ms
        elif self.open_ms is not None:
            self.episodes_ms.append((self.open_ms, at_ms))
            self.open_ms = None

    def closed(self, end_ms: int) -> list[tuple[float, float]]:
        still = [] if self.open_ms is None else [(self.open_ms, float(end_ms))]
        return self.episodes_ms + still


class _Lines:
    """Times one node of every unit spends beyond limits; crossings lie on the straight line between steps."""

    def __init__(self, limits: list[tuple[float, ...]], *, upward: bool) -> None:
        self._sign = 1.0 if upward else -1.0
        self.by_unit = [{limit: _Line() for limit in own} for own in limits]
        every = sorted({limit for own in limits for limit in own})
        self._columns = {c: np.array([i for i, own in enumerate(limits) if c in own], int) for c in every}
        self._last: FloatArray | None = None
        self._last_ms = 0

    def take(
        self, t_ms: IntArray, node_c: FloatArray, tops: tuple[FloatArray, FloatArray] | None = None
    ) -> None:
        """Follow a node over some steps; `tops`: values within them, and after which share of the step."""
        first = self._last is None
        before = node_c[:1] if self._last is None else self._last[None]
        whole = np.concatenate([before, node_c])
        ends_ms = np.concatenate([[t_ms[0] if first else self._last_ms], t_ms]).astype(np.float64)
        times = np.broadcast_to(ends_ms[:, None], whole.shape)
        if tops is not None:
            whole, times = _with_tops(whole, times, *tops)
        for limit, columns in self._columns.items():
            over = self._sign * (whole[:, columns] - limit)
            beyond = over > 0.0
            if first:
                for k in np.flatnonzero(beyond[0]):
                    self.by_unit[columns[k]][limit].turn(float(ends_ms[0]), beyond=True)
            for row, k in np.argwhere(beyond[1:] != beyond[:-1]):
                low, high = over[row, k], over[row + 1, k]
                start_ms, end_ms = times[row, columns[k]], times[row + 1, columns[k]]
                at_ms = start_ms + (end_ms - start_ms) * low / (low - high)
                self.by_unit[columns[k]][limit].turn(float(at_ms), beyond=bool(beyond[row + 1, k]))
        self._last, self._last_ms = node_c[-1].copy(), int(t_ms[-1])


def _with_tops(
    whole: FloatArray, times: FloatArray, top: FloatArray, at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return values and times with what stood within each step between its ends; else its end twice."""
    rows = 2 * whole.shape[0] - 1
    values, when = np.empty((rows, whole.shape[1])), np.empty((rows, whole.shape[1]))
    values[::2], when[::2] = whole, times
    none = np.isnan(top)
    values[1::2] = np.where(none, whole[1:], top)
    when[1::2] = np.where(none, times[1:], times[:-1] + at * (times[1:] - times[:-1]))
    return values, when


def minutes_by_day(episodes_ms: Iterable[tuple[float, float]], start_ms: int, end_ms: int) -> list[float]:
    """Return the minutes of episodes in each UTC day that the stretch touches."""
    first, last = start_ms // DAY_MS, (end_ms - 1) // DAY_MS
    minutes = [0.0] * (last - first + 1)
    for begin, finish in episodes_ms:
        for day in range(int(begin // DAY_MS), int(finish // DAY_MS) + 1):
            inside = min(finish, (day + 1) * DAY_MS) - max(begin, day * DAY_MS)
            if inside > 0.0 and first <= day <= last:
                minutes[day - first] += inside / MINUTE_MS
    return minutes


class Truth:
    """Listens to the blocks of one run and tells the truth about it."""

    def __init__(self, scenario: Scenario, *, start_ms: int) -> None:
        self._scenario = scenario
        self.start_ms = start_ms
        self.end_ms = start_ms
        kinds = [unit.kind for unit, _ in scenario.units]
        self._above = {node: _Lines([LINES_ABOVE_C[k] for k in kinds], upward=True) for node in NODES}
        self._below = {node: _Lines([LINES_BELOW_C[k] for k in kinds], upward=False) for node in NODES}
        self.stops = StopKeeper(scenario)
        self._first_on_bank = self._representatives()
        self._soc: list[tuple[int, FloatArray]] = []
        self._starters = [
            k for k, (_, physics) in enumerate(scenario.banks) if physics.starter_ah is not None
        ]
        self._weak = {k: _Line() for k in self._starters}
        self._starter_v = dict.fromkeys(self._starters, np.inf)

    def _representatives(self) -> list[int]:
        """Return for each bank a unit that shows its state; -1 where no unit is on it."""
        of = [unit.supply.bank if unit.supply.kind == "battery" else None for unit, _ in self._scenario.units]
        return [of.index(bank.id) if bank.id in of else -1 for bank, _ in self._scenario.banks]

    def take(self, block: Block) -> None:
        """Take note of a block; they come in order."""
        for node in NODES:
            values = np.asarray(block.true[node], dtype=np.float64)
            tops = _tops(block) if node == "air_c" else None
            self._above[node].take(block.t_ms, values, tops)
            self._below[node].take(block.t_ms, values, tops)
        self.stops.take(block)
        for k in self._starters:
            self._take_starter(block, k)
        for row in np.flatnonzero(block.t_ms % HOUR_MS == 0):
            self._soc.append((int(block.t_ms[row]), block.true["soc"][row, self._first_on_bank].copy()))
        self.end_ms = int(block.t_ms[-1])

    def _take_starter(self, block: Block, bank: int) -> None:
        """Take note of the battery that starts the engine, and of when it might not."""
        unit = self._first_on_bank[bank]
        if unit < 0:
            return
        self._starter_v[bank] = min(self._starter_v[bank], float(block.true["starter_v"][:, unit].min()))
        weak, line = block.true["may_not_start"][:, unit] > 0.0, self._weak[bank]
        known = line.open_ms is not None
        for row in np.flatnonzero(np.diff(weak, prepend=known)):
            line.turn(float(block.t_ms[row]), beyond=bool(weak[row]))

    def food_episodes_ms(self, unit: int, limit_c: float) -> list[tuple[float, float]]:
        """Return when the core of a unit's food was above one of `LINES_ABOVE_C`."""
        return self._above["food_c"].by_unit[unit][limit_c].closed(self.end_ms)

    def told(self, faults: Iterable[Told]) -> dict[str, Any]:
        """Return everything as plain data for the truth file."""
        return {
            "schema": SCHEMA,
            "scenario": self._scenario.name,
            "seed": self._scenario.seed,
            "from": iso_of(self.start_ms),
            "to": iso_of(self.end_ms),
            "units": {unit: self._unit(i) for i, unit in enumerate(self._scenario.unit_ids)},
            "banks": {bank.id: self._bank(k) for k, (bank, _) in enumerate(self._scenario.banks)},
            "faults": faults_told(faults),
        }

    def _unit(self, index: int) -> dict[str, Any]:
        unit, _ = self._scenario.units[index]
        return {
            "kind": unit.kind,
            "set_point_c": unit.aim_c,
            "above": {node: self._lines(lines.by_unit[index]) for node, lines in self._above.items()},
            "below": {node: self._lines(lines.by_unit[index]) for node, lines in self._below.items()},
            "stops": [_stop(stop) for stop in self.stops.of(index)],
            "food_at_risk": {
                str(limit): [iso_of(begin) for begin, _ in self.food_episodes_ms(index, limit)]
                for limit in RISK_C[unit.kind]
            },
        }

    def _lines(self, lines: dict[float, _Line]) -> dict[str, Any]:
        return _lines_told(lines, self.start_ms, self.end_ms)

    def _bank(self, index: int) -> dict[str, Any]:
        if self._first_on_bank[index] < 0 or not self._soc:
            return {"state_of_charge": None, "state_of_charge_reason": "no unit on it"}
        charge = {
            "state_of_charge": {
                "from": iso_of(self._soc[0][0]),
                "every_s": HOUR_MS // 1000,
                "values": [round(float(row[index]), 4) for _, row in self._soc],
            }
        }
        return charge | {"starter": self._starter(index)}

    def _starter(self, bank: int) -> dict[str, Any] | None:
        """Return what is true of the battery that starts the engine; None where none is modelled."""
        if bank not in self._weak:
            return None
        return {
            "lowest_v": _rounded(self._starter_v[bank]),
            "engine_may_not_start_ms": [
                [round(begin), round(end)] for begin, end in self._weak[bank].closed(self.end_ms)
            ],
        }


def _lines_told(lines: Mapping[float, _Line], start_ms: int, end_ms: int) -> dict[str, Any]:
    told = {}
    for limit, line in lines.items():
        episodes = line.closed(end_ms)
        by_day = minutes_by_day(episodes, start_ms, end_ms)
        told[str(limit)] = {
            "minutes": sum(end - begin for begin, end in episodes) / MINUTE_MS,
            "minutes_by_day": [round(minutes, 4) for minutes in by_day],
            "episodes_ms": [[round(begin), round(end)] for begin, end in episodes],
        }
    return told


def food_told(
    scenario: Scenario, pieces: Iterable[tuple[IntArray, FloatArray]], *, start_ms: int, end_ms: int
) -> dict[str, Any]:
    """Return when food was above its lines, by unit, as the truth file tells it; of food alone.

    Parameters
    ----------
    scenario : Scenario
        Whose units.
    pieces : iterable of ((n,) int64, (n, units) float64)
        Times and cores of food, in order. [ms; °C]
    start_ms, end_ms : int
        The stretch. [ms]
    """
    lines = _Lines([LINES_ABOVE_C[unit.kind] for unit, _ in scenario.units], upward=True)
    for t_ms, food_c in pieces:
        lines.take(t_ms, food_c)
    return {
        unit.id: {
            "kind": unit.kind,
            "set_point_c": unit.aim_c,
            "above": {"food_c": _lines_told(lines.by_unit[i], start_ms, end_ms)},
        }
        for i, (unit, _) in enumerate(scenario.units)
    }


def _tops(block: Block) -> tuple[FloatArray, FloatArray] | None:
    """Return the air's values within steps in which a lid closed; None where none did."""
    top = block.true.get("air_top_c")
    if top is None or np.isnan(top).all():
        return None
    return top, block.true["air_top_at"]


def _stop(stop: Stop) -> dict[str, Any]:
    return {
        "kind": stop.kind,
        "start": iso_of(stop.start_ms),
        "end": None if stop.end_ms is None else iso_of(stop.end_ms),
        "cause": stop.cause,
        "why": stop.why,
        "voltage_v": _rounded(stop.unit_v),
        "bank_v": _rounded(stop.bank_v),
        "state_of_charge": _rounded(stop.soc),
    }


def _rounded(value: float) -> float | None:
    return round(value, 4) if np.isfinite(value) else None


def faults_told(faults: Iterable[Told]) -> list[dict[str, Any]]:
    """Return faults as plain data for the truth file."""
    return [_fault(fault) for fault in faults]


def _fault(told: Told) -> dict[str, Any]:
    when: Callable[[int | None], str | None] = lambda t: None if t is None else iso_of(t)  # noqa: E731
    return {
        "kind": told.kind,
        "label": told.label,
        "words": told.words,
        "on": told.target,
        "begins": when(told.begins_ms),
        "full": when(told.full_ms),
        "ends": when(told.ends_ms),
        "parameters": dict(told.parameters),
        "other": told.other,
    }
