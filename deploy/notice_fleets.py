"""Fleets whose notices are counted: a month out of an ordinary year, or a unit for every way of stopping."""

from collections.abc import Callable, Mapping
from typing import Literal

import numpy as np

from deploy.backtest_cutouts import TRIAL_ENDS_MS
from deploy.backtest_trial import trial
from deploy.backtesting import Played, play, reseeded
from deploy.simulating import LIBRARY
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.parts import groups, part_of
from services.timebase import DAY_MS, ms_of

FleetName = Literal["year", "trial"]
YEAR = "fleet_year"
"""Forty units in which every kind of fault occurs once a year, and most are sound most of the time."""


def of_year(seed: int, *, days: float, units: int) -> list[Played]:
    """Return whole places out of the year's fleet over some days of it, both drawn by the seed."""
    whole = reseeded(load_scenario(LIBRARY / f"{YEAR}.toml"), seed)
    draw = np.random.default_rng([seed, 19])
    if whole.ends is None:
        raise ValueError("the year has an end")
    anchor_ms = ms_of(whole.ends)
    earlier_d = float(np.floor(draw.uniform(0.0, max(whole.days - days, 1.0))))
    end_ms = anchor_ms - round(earlier_d * DAY_MS)
    start_ms = end_ms - round(days * DAY_MS)
    return play(places_of(whole, units, draw), start_ms=start_ms, end_ms=end_ms, anchor_ms=anchor_ms)


def places_of(whole: Scenario, units: int, draw: np.random.Generator) -> Scenario:
    """Return whole places, drawn until there are about as many units as asked for."""
    together = groups(whole)
    chosen: list[int] = []
    for k in draw.permutation(len(together)).tolist():
        if not chosen or len(chosen) + len(together[k]) <= units:
            chosen += together[k]
    return part_of(whole, chosen)


def of_trial(seed: int, *, days: float, units: int) -> list[Played]:
    """Return some of the units of which each has another trouble, each at a place of its own."""
    start_ms = TRIAL_ENDS_MS - round(days * DAY_MS)
    made = trial(seed, start_ms=start_ms, end_ms=TRIAL_ENDS_MS)
    every = play(made.scenario, start_ms=start_ms, end_ms=TRIAL_ENDS_MS, moves=made.moves)
    still = [one for one in every if not one.moves]
    return still[:: max(1, len(still) // units)][:units]


FLEETS: Mapping[FleetName, Callable[..., list[Played]]] = {"year": of_year, "trial": of_trial}
