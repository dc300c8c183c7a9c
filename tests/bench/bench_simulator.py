"""How fast the simulated plant runs: unit-seconds of physics per second, for 500 units in one process.

``python -m tests.bench.bench_simulator --check`` exits with 1 below the target.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

from firmware_sim.history import Simulator
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import STEP_S
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import write_small_fleet

UNITS = 500
TARGET = 5_000_000.0
START_MS = 20_400 * DAY_MS

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
    begun_s = time.perf_counter()
    steps = sum(block.t_ms.size for block in simulator.blocks(until_ms))
    return steps * STEP_S * UNITS / (time.perf_counter() - begun_s)


def main() -> int:
    """Measure five times and print the median."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="exit with 1 below the target")
    check = parser.parse_args().check
    with tempfile.TemporaryDirectory() as folder:
        simulator = _simulator(Path(folder))
        begun_s = time.perf_counter()
        next(iter(simulator.blocks(simulator.reached_ms + HOUR_MS)))
        first_s = time.perf_counter() - begun_s
        runs = [_unit_seconds_per_second(simulator, 4) for _ in range(5)]
    median = statistics.median(runs)
    print(f"{UNITS} units, step {STEP_S} s, measured outputs kept in blocks")
    print(f"making one day of weather, charging, lids and noise: {first_s:.2f} s (first hour with it)")
    print(f"unit-seconds of physics per second: median {median:,.0f}, lowest {min(runs):,.0f}")
    print(
        f"with the making of the day counted in: {UNITS * 86_400 / (UNITS * 86_400 / median + first_s):,.0f}"
    )
    print(f"target {TARGET:,.0f}: {'reached' if median >= TARGET else 'missed'}")
    return 0 if median >= TARGET or not check else 1


if __name__ == "__main__":
    sys.exit(main())
