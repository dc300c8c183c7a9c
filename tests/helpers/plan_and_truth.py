"""One chest or freezer, planned and simulated from one description; the simulator is no outside check."""

from dataclasses import dataclass

import numpy as np

from firmware_sim.history import Simulator
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.stops import DEAD_V
from services.analytics.planning.changes import WARMER_BY_K
from services.analytics.planning.planner import plan
from services.domain.fleetfile import parse_fleet
from services.domain.tripfile import parse_trip
from services.timebase import DAY_MS, HOUR_MS, ms_of_iso

END_MS = ms_of_iso("2026-10-15T10:00:00Z")
"""Noon where the chest is."""
NIGHTS = 3
START_MS = END_MS - NIGHTS * DAY_MS
HOURS = 24 * NIGHTS
_SCENARIO = f"""
[scenario]
name = "Plan and truth"
fleet = "fleet.toml"
seed = 3
days = {NIGHTS}
ends = 2026-10-15T10:00:00Z
"""


@dataclass(frozen=True)
class Case:
    """What both are told."""

    kind: str = "fridge"
    chemistry: str = "agm"
    capacity_ah: int = 100
    night_c: float = 20.0
    day_c: float = 37.0
    gain_w_per_k: float = 0.62
    cooling_w: float = 62.0
    set_point_c: float = 3.0
    drives: tuple[tuple[float, float], ...] = ((6.0, 9.5), (15.5, 18.5))
    warm_kg: int = 0
    """Put in two hours after the start, at 30 °C."""


@dataclass(frozen=True)
class Compared:
    """Hour by hour: what was planned, and the truth."""

    planned: object
    soc: np.ndarray
    soc_p10: np.ndarray
    soc_p90: np.ndarray
    air_c: np.ndarray
    food_c: np.ndarray
    food_p10: np.ndarray
    food_p90: np.ndarray
    true_soc: np.ndarray
    true_air_c: np.ndarray
    true_food_c: np.ndarray
    duty_ratio: float
    """Planned over true."""
    stopped_ms: int | None
    """When the chest truly first stood without power: locked itself out, or its bank's board opened."""

    def soc_inside(self):
        """Return the share of hours whose true charge lies in P10 to P90, to the hundredth told."""
        low, high = self.soc_p10 - 0.01, self.soc_p90 + 0.01
        return float(np.mean((low <= self.true_soc) & (self.true_soc <= high)))

    def food_inside(self):
        """Return the share of hours whose true food lies in P10 to P90 or within the plan's own closeness."""
        low, high = self.food_p10 - WARMER_BY_K, self.food_p90 + WARMER_BY_K
        return float(np.mean((low <= self.true_food_c) & (self.true_food_c <= high)))


def _described(case, number):
    """Return the site, bank and unit of a case in a fleet file."""
    return f"""
[[site]]
id = "truck-{number}"
name = "Truck {number}"
kind = "vehicle"
timezone = "Africa/Lusaka"
[[bank]]
id = "t{number}-aux"
chemistry = "{case.chemistry}"
nominal_v = 12
capacity_ah = {case.capacity_ah}
[[unit]]
id = "t{number}-meat"
kind = "{case.kind}"
site = "truck-{number}"
volume_l = 60
set_point_c = {case.set_point_c}
[unit.food]
load_kg = 12
[unit.supply]
bank = "t{number}-aux"
cutout_v = 11.0
restart_v = 12.5
cable_length_m = 4.0
cable_mm2 = 6.0
[unit.compressor]
running_a = 4.2
"""


def _played(case, number):
    """Return what the simulator is told of a case."""
    warm = (
        f'[[fault]]\nkind = "overload"\nunit = "t{number}-meat"\nbegins_h_before = {24 * NIGHTS - 2}\n'
        f"load_kg = {case.warm_kg}\nload_c = 30\n"
    )
    return f"""
[[site]]
id = "truck-{number}"
night_c = {case.night_c}
day_c = {case.day_c}
spread_k = 0.0
cloud_share = 0.0
drives = {[list(drive) for drive in case.drives]}
latitude_deg = -20.5
longitude_deg = 28.0
[[bank]]
id = "t{number}-aux"
health = 0.9
start_soc = 0.9
drive_a = 25
[[unit]]
id = "t{number}-meat"
food_kg = 12
shell_w_per_k = {case.gain_w_per_k}
cooling_w = {case.cooling_w}
in_sun_k = 4
{warm if case.warm_kg else ""}
"""


def _trip(case):
    drives = "".join(
        f"[[drive]]\nat = {int(a):02d}:{round(60 * (a % 1)):02d}:00\nlasts_h = {b - a}\n"
        for a, b in case.drives
    )
    warm = (
        f'[[load]]\nunit = "t9-meat"\nat = 14:00:00\nkg = {case.warm_kg}\nwarm_c = 30\n'
        if case.warm_kg
        else ""
    )
    return f"""
[trip]
starts = 2026-10-{15 - NIGHTS}T12:00:00
nights = {NIGHTS}
timezone = "Africa/Lusaka"
latitude_deg = -20.5
longitude_deg = 28.0
units = ["t9-meat"]
[weather]
night_c = {case.night_c}
day_c = {case.day_c}
spread_k = 0.0
cloud_share = 0.0
[[bank]]
id = "t9-aux"
health = 0.9
start_soc = 0.9
drive_a = 25
[[unit]]
id = "t9-meat"
shell_w_per_k = {case.gain_w_per_k}
cooling_w = {case.cooling_w}
in_sun_k = 4
{drives}{warm}
"""


def simulated(cases, folder):
    """Return the truth of every case, each a vehicle of one fleet: the plant moves all of them at once."""
    numbered = list(enumerate(cases))
    fleet = "".join(_described(case, number) for number, case in numbered)
    (folder / "fleet.toml").write_text(fleet, encoding="utf-8")
    path = folder / "scenario.toml"
    scenario = _SCENARIO + "".join(_played(case, number) for number, case in numbered)
    path.write_text(scenario, encoding="utf-8")
    simulator = Simulator(load_scenario(path), anchor_ms=END_MS, start_ms=START_MS)
    blocks = list(simulator.blocks(END_MS))
    t_ms = np.concatenate([block.t_ms for block in blocks])
    true = {
        name: np.concatenate([np.asarray(block.true[name], dtype=float) for block in blocks])
        for name in ("soc", "air_c", "food_c", "on", "locked", "unit_v")
    }
    return {case: (t_ms, {name: rows[:, k] for name, rows in true.items()}) for k, case in numbered}


def compared(case, truth):
    """Return a case planned from the words it was simulated from, beside its truth."""
    t_ms, true = truth
    hour = (t_ms - START_MS) // HOUR_MS
    ends = np.array([np.flatnonzero(hour == h)[-1] for h in range(HOURS)])
    without = np.flatnonzero((true["locked"] > 0) | (true["unit_v"] < DEAD_V))
    fleet = parse_fleet(_described(case, 9), name="fleet.toml")
    planned = plan(parse_trip(_trip(case), name="trip.toml", fleet=fleet))
    bank, unit = planned.banks[0], planned.units[0]
    return Compared(
        planned=planned,
        soc=np.array([q.p50 for q in bank.soc]),
        soc_p10=np.array([q.p10 for q in bank.soc]),
        soc_p90=np.array([q.p90 for q in bank.soc]),
        air_c=np.array([q.p50 for q in unit.cabinet_c]),
        food_c=np.array([q.p50 for q in unit.food_c]),
        food_p10=np.array([q.p10 for q in unit.food_c]),
        food_p90=np.array([q.p90 for q in unit.food_c]),
        true_soc=true["soc"][ends],
        true_air_c=np.array([true["air_c"][hour == h].mean() for h in range(HOURS)]),
        true_food_c=true["food_c"][ends],
        duty_ratio=unit.duty.p50 / float(np.mean(true["on"])),
        stopped_ms=int(t_ms[without[0]]) if without.size else None,
    )
