"""How fast the simulated plant runs: 500 units in one process, and the library's year of forty units.

``python -m tests.bench.bench_simulator --check`` exits with 1 below a target. Times are processor time of one
process, so that other work on the machine weighs little; the year is timed over some days and scaled.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

from deploy.simulate_logs import Logs
from deploy.simulating import LIBRARY
from firmware_sim.history import Simulator
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S
from firmware_sim.truth import Truth
from services.timebase import DAY_MS, HOUR_MS, ms_of
from tests.helpers.small_fleet import write_small_fleet

UNITS = 500
TARGET = 5_000_000.0
START_MS = 20_400 * DAY_MS

YEAR_S = 365 * 86_400
YEAR_WITHIN_S = 15 * 60
YEAR_DAYS_TIMED = 4

_BANK = '[[bank]]\nid = "bank-{k}"\nchemistry = "agm"\nnominal_v = 12\ncapacity_ah = 100\n'
_UNIT = (
    '[[unit]]\nid = "unit-{k}"\nkind = "fridge"\nsite = "cart-1"\nset_point_c = 2.0\n'
    '[unit.supply]\nkind = "battery"\nbank = "bank-{k}"\ncable_mm2 = 6.0\n'
)


def _simulator(folder: Path) -> Simulator:
    fleet = '[[site]]\nid = "cart-1"\ntimezone = "Africa/Lusaka"\n' + "".join(
        table.format(k=k) for table in (_BANK, _UNIT) for k in range(UNITS)
    )
    scenario = '[scenario]\nname = "Many"\nfleet = "small_fleet.toml"\n'
    loaded = load_scenario(write_small_fleet(folder, scenario=scenario, fleet=fleet))
    return Simulator(loaded, anchor_ms=START_MS + DAY_MS, start_ms=START_MS)


def _unit_seconds_per_second(simulator: Simulator, hours: int) -> float:
    until_ms = simulator.reached_ms + hours * HOUR_MS
    begun_s = time.process_time()
    steps = sum(block.t_ms.size for block in simulator.blocks(until_ms))
    return steps * STEP_S * UNITS / (time.process_time() - begun_s)


def _many() -> tuple[float, list[float]]:
    """Return what making a day costs [s], and unit-seconds per second of five stretches."""
    with tempfile.TemporaryDirectory() as folder:
        simulator = _simulator(Path(folder))
        begun_s = time.process_time()
        next(iter(simulator.blocks(simulator.reached_ms + HOUR_MS)))
        first_s = time.process_time() - begun_s
        return first_s, [_unit_seconds_per_second(simulator, 4) for _ in range(5)]


def _year_seconds() -> tuple[int, float]:
    """Return units and processor time of the library's year with weather, faults, truth, logs, scaled."""
    scenario = load_scenario(LIBRARY / "fleet_year.toml")
    if scenario.ends is None:
        raise ValueError("the year has no end")
    end_ms = ms_of(scenario.ends)
    start_ms = end_ms - 100 * DAY_MS
    simulator = Simulator(scenario, anchor_ms=end_ms, start_ms=start_ms)
    truth = Truth(scenario, start_ms=start_ms)
    with tempfile.TemporaryDirectory() as folder, Logs(scenario, Path(folder), anchor_ms=end_ms) as logs:
        for block in simulator.blocks(start_ms + HOUR_MS):
            truth.take(block)
        begun_s = time.process_time()
        for block in simulator.blocks(simulator.reached_ms + YEAR_DAYS_TIMED * DAY_MS):
            truth.take(block)
            logs.take(block)
        logs.flush()
    return len(scenario.units), (time.process_time() - begun_s) * 365 / YEAR_DAYS_TIMED


def main() -> int:
    """Measure and print; tell whether the targets are reached."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="exit with 1 below a target")
    check = parser.parse_args().check
    first_s, runs = _many()
    median = statistics.median(runs)
    print(f"{UNITS} units, step {STEP_S} s, measured outputs kept in blocks; processor time")
    print(f"making one day of weather, charging, lids and noise: {first_s:.2f} s (first hour with it)")
    print(f"unit-seconds of physics per second: median {median:,.0f}, lowest {min(runs):,.0f}")
    whole = UNITS * 86_400 / (UNITS * 86_400 / median + first_s)
    print(f"with the making of the day counted in: {whole:,.0f}")
    print(f"target {TARGET:,.0f}: {'reached' if median >= TARGET else 'missed'}")
    units, year_s = _year_seconds()
    print(f"a year of {units} units with faults, truth and logs: {year_s:,.0f} s of one core, scaled from")
    print(f"{YEAR_DAYS_TIMED} days of it; {YEAR_S / year_s:,.0f} times as fast as it happens")
    within = year_s <= YEAR_WITHIN_S
    print(
        f"target {YEAR_WITHIN_S} s ({YEAR_S / YEAR_WITHIN_S:,.0f} times): {'reached' if within else 'missed'}"
    )
    return 0 if (median >= TARGET and within) or not check else 1


if __name__ == "__main__":
    sys.exit(main())
