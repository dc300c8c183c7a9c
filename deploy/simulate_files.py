"""Writes a simulated stretch of time to a folder: a log for every unit, its unit file, and the truth."""

import json
import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pandas as pd

from deploy.simulate_logs import Logs
from deploy.simulate_units import fleet_tables, fleet_toml, unit_toml
from firmware_sim.branches import RunOut, Taken, batches, run_outs
from firmware_sim.faults import Faults
from firmware_sim.history import Simulator
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.parts import parts
from firmware_sim.truth import Truth, faults_told
from services.timebase import DAY_MS, HOUR_MS, iso_of

__all__ = ["Written", "run_out_every_ms", "write_files", "write_settings"]

FLUSH_MS = 7 * DAY_MS
"""How much simulated time is gathered before files are written on."""

RUN_OUTS = 56
"""How many instants are looked at for their true run-out where nobody says how often, about."""

WANT_OF_CHARGE = frozenset({"low_voltage", "no_supply"})
"""Kinds of stop that end a run on a bank."""

PART_UNITS = 600
"""A larger fleet is simulated in parts of about so many units: their days fit into memory, and each keeps
less than a thousand files open."""

WORKERS = 2
"""Processes: for the parts of a large fleet, or for the true run-outs of a small one beside the run."""

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Written:
    """What was written."""

    folder: Path
    units: int
    rows: int


@dataclass(frozen=True)
class _Stretch:
    start_ms: int
    end_ms: int
    run_out_every_h: float | None


@dataclass(frozen=True)
class _Told:
    """What one part of the fleet did."""

    truth: dict[str, Any]
    units: int
    rows: int


def run_out_every_ms(length_ms: int, asked_h: float | None) -> int:
    """Return how far apart the instants are whose true run-out is looked for: whole six hours by default."""
    if asked_h is not None:
        return round(asked_h * HOUR_MS)
    return 6 * HOUR_MS * max(1, math.ceil(length_ms / (6 * HOUR_MS * RUN_OUTS)))


def _pieces(start_ms: int, end_ms: int, every_ms: int) -> Iterator[tuple[int, bool]]:
    """Return where to pause, and whether to remember the state there."""
    instants = {t for t in range(-(-start_ms // every_ms) * every_ms, end_ms, every_ms) if t > start_ms}
    flushes = set(range(start_ms + FLUSH_MS, end_ms, FLUSH_MS))
    for t_ms in sorted(instants | flushes | {end_ms}):
        yield t_ms, t_ms in instants


def write_files(
    scenario: Scenario,
    folder: Path,
    *,
    start_ms: int,
    end_ms: int,
    run_out_every_h: float | None = None,
    say: Progress = lambda _: None,
) -> Written:
    """Simulate a stretch of time and write logs, unit files, fleet file and truth.

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    folder : Path
        Made where it is not there.
    start_ms, end_ms : int
        The scenario's history meets the present at the end. [ms]
    run_out_every_h : float or None
        How far apart the instants are from which the true run-out is told; 0 tells none. [h]
    say : callable
        Told in words how far it is.

    Returns
    -------
    Written
    """
    folder.mkdir(parents=True, exist_ok=True)
    stretch = _Stretch(start_ms, end_ms, run_out_every_h)
    cut = parts(scenario, PART_UNITS)
    with ProcessPoolExecutor(WORKERS if len(cut) > 1 else 1, mp_context=get_context("spawn")) as pool:
        done = (
            [_simulated(scenario, folder, stretch, pool, say)]
            if len(cut) == 1
            else _in_parts(cut, folder, stretch, pool, say)
        )
    told = _joined(scenario, [one.truth for one in done])
    told["faults"] = faults_told(Faults(scenario, anchor_ms=end_ms).told())
    (folder / "truth.json").write_text(json.dumps(told, allow_nan=False) + "\n", encoding="utf-8")
    write_settings(scenario, folder)
    return Written(folder, sum(one.units for one in done), sum(one.rows for one in done))


def _in_parts(
    cut: Sequence[Scenario], folder: Path, stretch: _Stretch, pool: Executor, say: Progress
) -> list[_Told]:
    """Simulate parts of a large fleet, each in a process of its own."""
    waiting = [pool.submit(_simulated, part, folder, stretch, None, _silent) for part in cut]
    done = []
    for k, one in enumerate(waiting):
        done.append(one.result())
        say(f"part {k + 1} of {len(cut)}")
    return done


def _silent(_: str) -> None:
    """Say nothing."""


def _simulated(
    scenario: Scenario, folder: Path, stretch: _Stretch, pool: Executor | None, say: Progress
) -> _Told:
    """Simulate one part: its logs are written by a thread, its run-outs by `pool` if there is one."""
    simulator = Simulator(scenario, anchor_ms=stretch.end_ms, start_ms=stretch.start_ms)
    truth = Truth(scenario, start_ms=simulator.reached_ms)
    every_ms = run_out_every_ms(stretch.end_ms - stretch.start_ms, stretch.run_out_every_h or None)
    outs = _RunOuts(scenario, stretch.end_ms, pool)
    with Logs(scenario, folder, anchor_ms=stretch.end_ms) as logs:
        for until_ms, remembered in _pieces(simulator.reached_ms, stretch.end_ms, every_ms):
            for block in simulator.blocks(until_ms):
                truth.take(block)
                logs.take(block)
            if remembered and stretch.run_out_every_h != 0:
                outs.take(Taken.of(simulator.reached_ms, simulator.state))
            logs.flush()
            say(f"simulated until {iso_of(simulator.reached_ms)}")
        say(f"run-out from {outs.instants} instants")
        found = outs.all()
    told = truth.told(())
    _add_run_outs(told, scenario, found)
    for i, delivery in logs.delivery.items():
        told["units"][scenario.unit_ids[i]]["delivery"] = delivery
    return _Told(told, logs.units, logs.rows)


class _RunOuts:
    """True run-outs, computed beside the run as soon as a batch of instants is there."""

    def __init__(self, scenario: Scenario, anchor_ms: int, pool: Executor | None) -> None:
        self._scenario, self._anchor_ms, self._pool = scenario, anchor_ms, pool
        self._gathered: list[Taken] = []
        self._computed: list[Future[list[RunOut]] | list[RunOut]] = []
        self.instants = 0

    def take(self, one: Taken) -> None:
        self.instants += 1
        self._gathered.append(one)
        if len(list(batches(self._scenario, [*self._gathered, one]))) > 1:
            self._hand_on()

    def _hand_on(self) -> None:
        taken, self._gathered = self._gathered, []
        if self._pool is None:
            self._computed.append(run_outs(self._scenario, taken, anchor_ms=self._anchor_ms))
        else:
            self._computed.append(
                self._pool.submit(run_outs, self._scenario, taken, anchor_ms=self._anchor_ms)
            )

    def all(self) -> list[RunOut]:
        """Return the run-outs of all instants, in order."""
        self._pool = None  # the last ones here: there is nothing else to do meanwhile
        self._hand_on()
        return [
            found
            for part in self._computed
            for found in (part.result() if isinstance(part, Future) else part)
        ]


def _joined(scenario: Scenario, told: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the truth of all parts as one, in the scenario's order."""
    whole = dict(told[0])
    for table, names in (
        ("units", scenario.unit_ids),
        ("banks", tuple(bank.id for bank, _ in scenario.banks)),
    ):
        entries = {name: entry for one in told for name, entry in one[table].items()}
        whole[table] = {name: entries[name] for name in names if name in entries}
    return whole


def _add_run_outs(told: dict[str, Any], scenario: Scenario, found: list[RunOut]) -> None:
    """Say for every unit how long it lasts from each instant on, as it happened and without any charging."""
    for i, (unit, _) in enumerate(scenario.units):
        entry = told["units"][unit.id]
        starts_ms = [stop_ms for kind, stop_ms in _stop_starts(entry) if kind in WANT_OF_CHARGE]
        entry["run_out"] = {
            "at": [iso_of(one.t_ms) for one in found],
            "hours_as_it_happened": [_next_h(starts_ms, one.t_ms) for one in found],
            "hours_without_charging": [_finite(float(one.stops_h[i])) for one in found],
            "food_at_risk_hours_without_charging": {
                str(limit): [_finite(float(one.risk_h[limit][i])) for one in found]
                for limit in (found[0].risk_h if found else ())
                if limit in map(float, entry["food_at_risk"])
            },
        }


def _stop_starts(entry: dict[str, Any]) -> Iterator[tuple[str, int]]:
    for stop in entry["stops"]:
        yield stop["kind"], round(pd.Timestamp(stop["start"]).timestamp() * 1000)


def _next_h(starts_ms: list[int], t_ms: int) -> float | None:
    """Return hours to the next stop; None when none comes in the run."""
    later = [start for start in starts_ms if start >= t_ms]
    return (min(later) - t_ms) / HOUR_MS if later else None


def _finite(hours: float) -> float | None:
    return round(hours, 4) if math.isfinite(hours) else None


def write_settings(scenario: Scenario, folder: Path) -> None:
    """Write the fleet file and a file for every unit."""
    tables = fleet_tables(scenario)
    (folder / "fleet.toml").write_text(fleet_toml(tables), encoding="utf-8")
    for unit in scenario.unit_ids:
        (folder / f"{unit}.toml").write_text(unit_toml(tables, unit), encoding="utf-8")
