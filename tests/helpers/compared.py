"""Fleets with made-up numbers of their last weeks, whose truth is what was put in."""

from collections.abc import Callable
from datetime import date

import numpy as np

from services.analytics.service.fleet import COMPARED, DAYS
from services.domain import Fleet, Middle

TODAY = date(2026, 3, 2)
_SOUND = {
    "night_slope_per_k": 0.02,
    "capacity_ratio_k": 60.0,
    "warm_up_per_h": 0.05,
    "path_share": 1.0,
    "starts_per_h": 1.5,
    "hours_run_a_day": 8.4,
}
NAMES = tuple(name for name in COMPARED if name != "capacity_share")
"""What days tell; a sound machine neither runs all day nor is it stopped."""

Factor = Callable[[str, str], float]


def fleet_of(count: int, sites: int, **unit: object) -> Fleet:
    """Return fridges alike, spread evenly over vehicles."""
    return Fleet.model_validate(
        {
            "sites": [{"id": f"car-{k}", "name": f"Car {k}", "kind": "vehicle"} for k in range(sites)],
            "units": [
                {"id": f"box-{k:03d}", "kind": "fridge", "site": f"car-{k % sites}", "volume_l": 50.0, **unit}
                for k in range(count)
            ],
        }
    )


def middles_of(
    fleet: Fleet, rng: np.random.Generator, *, between: float = 0.06, factor: Factor | None = None
) -> dict[str, list[Middle]]:
    """Return what the last weeks of machines come to, that differ by a share `between` them.

    `factor` tells by unit and number what a fault multiplies it by in the last month.
    """
    found: dict[str, list[Middle]] = {}
    for unit in fleet.units:
        own = rng.lognormal(0.0, between, len(NAMES)).tolist()
        for name, of_unit in zip(NAMES, own, strict=True):
            fault = 1.0 if factor is None else factor(unit.id, name)
            season = _SOUND.get(name, 0.0) * of_unit
            found.setdefault(unit.id, []).append(Middle(name, season * fault, DAYS, season))
    return found


def with_number(middles: list[Middle], name: str, value: float) -> list[Middle]:
    """Return what the last month comes to with one number put in."""
    return [each._replace(value=value) if each.name == name else each for each in middles]
