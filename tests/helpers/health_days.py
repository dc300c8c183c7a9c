"""Made-up days of a unit, for what is read from days alone."""

import numpy as np

from services.domain import HealthDay, HealthTable
from services.timebase import DAY_MS

FIRST_MS = 20_000 * DAY_MS


def made_days(days=120, *, seed=1, marks=None, ambient="measured", measured_on="here", **over):
    """Return a sound fridge's days; `over` gives factors (a number, or one for each day) on its numbers.

    `cooling`, `warming`, `current`, `path`, `plate` and `noon` multiply; `rest` and `level` add.
    """
    rng = np.random.default_rng(seed)
    noise = lambda share: 1.0 + share * rng.normal(size=days)  # noqa: E731
    factor = lambda name: np.broadcast_to(np.asarray(over.get(name, 1.0), float), days)  # noqa: E731
    added = lambda name: np.broadcast_to(np.asarray(over.get(name, 0.0), float), days)  # noqa: E731
    air = (
        28.0
        + np.broadcast_to(np.asarray(over.get("warmer_k", 0.0), float), days)
        + 1.5 * rng.normal(size=days)
    )
    gap = air - 3.0
    off = 6.0 * gap / 25.0 * factor("warming") * noise(0.03)
    night = 5.0 * gap / 25.0 * factor("warming") * noise(0.02)
    cooling = 26.0 * factor("cooling") * noise(0.015)
    power = 50.0 * factor("current") * (1.0 + 0.007 * (air - 28.0)) * noise(0.01)
    ohm = 0.045 * factor("path") * power / 50.0 * noise(0.02)
    known = ambient is not None
    slope = night / cooling / gap
    noon = slope * factor("noon") * (1.0 + 0.04 * np.random.default_rng(seed + 1000).normal(size=days))
    told = [
        HealthDay(
            day=FIRST_MS + k * DAY_MS,
            measured_on=measured_on if isinstance(measured_on, str) else measured_on(k),
            marks=() if marks is None else marks(k),
            hours_seen=24.0,
            duty=min(1.0, float(off[k] / cooling[k])),
            night_duty=min(1.0, float(night[k] / cooling[k])),
            starts_per_h=1.5,
            ambient_c=float(air[k]) if known else None,
            ambient_from=ambient,
            gap_k=float(gap[k]) if known else None,
            night_gap_k=float(gap[k]) if known else None,
            night_slope_per_k=float(slope[k]) if known else None,
            hot_slope_per_k=float(noon[k]) if known else None,
            set_point_c=3.0,
            off_k_per_h=float(off[k]),
            night_off_k_per_h=float(night[k]),
            night_on_k_per_h=float(cooling[k] - night[k]),
            cooling_k_per_h=float(cooling[k]),
            evaporator_gap_k=float(9.0 * factor("plate")[k] * noise(0.02)[k]),
            stop_above_k=float(-1.4 + added("level")[k]),
            swing_k=2.4,
            running_a=float(power[k] / 12.4),
            running_v=12.4,
            rest_v=float(12.6 + added("rest")[k]),
            loaded_v=float(12.6 + added("rest")[k] - 4.0 * ohm[k]),
            dawn_v=float(12.5 + added("rest")[k] + 0.02 * rng.normal()),
            path_ohm=float(ohm[k]),
        )
        for k in range(days)
    ]
    return HealthTable(tuple(told))


def ramp(days, *, begins, grows, to):
    """Return 1 until `begins`, then a straight way to `to` within `grows` days (0: at once)."""
    day = np.arange(days, dtype=float)
    if grows == 0:
        return np.where(day < begins, 1.0, to)
    return 1.0 + (to - 1.0) * np.clip((day - begins) / grows, 0.0, 1.0)
