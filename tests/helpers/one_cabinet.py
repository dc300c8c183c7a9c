"""One cabinet on its own supply, for tests of the physics that need no fleet."""

from pathlib import Path

import numpy as np

from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.plant import Plant
from firmware_sim.scenarios.load import load_scenario

FLEET = """
[[site]]
id = "bench"
timezone = "UTC"
[[bank]]
id = "bench-bank"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
"""

UNIT = """
[[unit]]
id = "{id}"
kind = "{kind}"
site = "bench"
set_point_c = {set_c}
volume_l = {volume_l}
[unit.supply]
kind = "mains"
[unit.compressor]
{compressor}
"""

SCENARIO = """
[scenario]
name = "Bench"
fleet = "bench_fleet.toml"
"""


def unit(
    set_c: float, *, name: str = "box", compressor: str = "running_a = 4.2", volume_l: float = 82.0
) -> str:
    """Return one unit of a fleet file."""
    kind = "freezer" if set_c < -5.0 else "fridge"
    return UNIT.format(id=name, kind=kind, set_c=set_c, compressor=compressor, volume_l=volume_l)


def plant(folder: Path, *units: str, physics: str = "", step_s: float = 30.0) -> Plant:
    """Return the plant of some units; `physics` holds the unit tables of the scenario file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bench_fleet.toml").write_text(FLEET + "".join(units), encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text(SCENARIO + physics, encoding="utf-8")
    return Plant(load_scenario(path), step_s=step_s)


def soak(plant_: Plant, temperature_c: float, food_c: float | None = None):
    """Return a state in which everything is as warm as its surroundings, the food as given."""
    state = plant_.start()
    warm = np.full(state.air_c.size, float(temperature_c))
    state.air_c, state.plate_c, state.evaporating_c = warm.copy(), warm.copy(), warm.copy()
    state.condensing_c = warm.copy()
    food = warm if food_c is None else np.full(warm.size, float(food_c))
    state.food_kj_per_kg = plant_.sizes.foods.content_kj_per_kg(food)
    state.food_c = plant_.sizes.foods.temperature_c(state.food_kj_per_kg)
    return state


def run(plant_: Plant, state, hours: float, outside_c, *, step_s: float = 30.0, **more):
    """Return what every step showed, an array of (steps, units or banks) by name."""
    shown = []
    n = state.air_c.size
    for k in range(round(hours * 3600.0 / step_s)):
        around = outside_c(k * step_s / 3600.0) if callable(outside_c) else outside_c
        now = {name: value(k) if callable(value) else value for name, value in more.items()}
        lid = now.pop("lid_w_per_k", np.zeros(n))
        shown.append(plant_.advance(state, np.full(n, float(around)), lid, Inputs(), **now))
    return {
        name: np.stack([getattr(step, name) for step in shown])
        for name in type(shown[0]).__dataclass_fields__
    }


def held_j(plant_: Plant, state):
    """Return the heat the nodes of each cabinet hold, from the references of their parts. [J]."""
    sizes = plant_.sizes
    return (
        sizes.air_j_per_k * state.air_c
        + sizes.plate_j_per_k * state.plate_c
        + 1000.0 * sizes.food_kg * state.food_kj_per_kg
        + 1000.0 * state.fresh_kg * state.fresh_kj_per_kg
    )
