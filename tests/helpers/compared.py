"""Fleets with made-up days, whose truth is what was put in."""

from collections.abc import Callable, Mapping
from datetime import date

import numpy as np

from services.analytics.service.fleet import DAYS, READ
from services.domain import Bench, DayNumbers, Fleet
from services.timebase import DAY_MS

TODAY = date(2026, 3, 2)
_SOUND = (0.02, 60.0, 0.05, 0.03, 1.5, 0.35)
_BENCH = {
    "hours_seen": 24.0,
    "hours_run": 8.0,
    "starts": 30,
    "starts_per_hour": 1.4,
    "days_since_full": 0.5,
    "source_ohm": 0.03,
    "expected_ohm": 0.03,
    "drop_share": None,
    "drop_share_reason": "not looked at",
    "capacity_ah": None,
    "capacity_ah_reason": "not looked at",
}
BENCH = Bench.model_validate(_BENCH)

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


def days_of(
    fleet: Fleet,
    rng: np.random.Generator,
    *,
    between: float = 0.06,
    count: int = DAYS,
    factor: Factor | None = None,
) -> dict[str, list[DayNumbers]]:
    """Return days of machines that differ by a share `between` them, and by 3 % from day to day.

    `factor` tells by unit and number what a fault multiplies it by.
    """
    found: dict[str, list[DayNumbers]] = {}
    for unit in fleet.units:
        own = rng.lognormal(0.0, between, len(READ))
        fault = [1.0 if factor is None else factor(unit.id, name) for name in READ]
        daily = rng.lognormal(0.0, 0.03, (count, len(READ)))
        values = daily * own * np.array(fault) * np.array(_SOUND)
        found[unit.id] = [
            DayNumbers(k * DAY_MS, "as described", (), tuple(row)) for k, row in enumerate(values.tolist())
        ]
    return found


def benches_of(fleet: Fleet) -> Mapping[str, Bench]:
    """Return the same path expected for every unit."""
    return {unit.id: BENCH for unit in fleet.units}
