"""The plant's own answer to until when a fault can wait: from when a design hot day is too hot for it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from deploy.backtesting import settings_of
from firmware_sim.faults import grown, parameters_of
from firmware_sim.history import Simulator
from firmware_sim.scenarios.fault_kinds import KINDS
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import Fault, FleetSite, FleetSupply, SiteWeather
from services.analytics.food.rules import limits_of
from services.analytics.service.waiting import DESIGN_C
from services.timebase import DAY_MS

COOLING = frozenset(
    {
        "refrigerant_leak",
        "dusty_condenser",
        "condenser_fan_dead",
        "evaporator_fan_dead",
        "worn_gasket",
        "wet_foam",
        "weak_compressor",
        "blocked_niche",
    }
)
"""Faults whose whole effect is what they are now; frost goes on growing, a battery goes flat."""
SHARES = 12
"""Moments of a fault's growth that are tried."""
SETTLES_D = 1
"""Days of constant air in which a kilogram of food comes to where it stays."""
LIGHT_KG = 1.0
_HOT = "hot"


@dataclass(frozen=True)
class _Try:
    """One unit as it is at one moment of a fault."""

    fault: int
    share: float
    """Of the time to grow; 0 before it."""
    unit: str
    ill: Fault | None


def hot_days(scenario: Scenario, *, end_ms: int) -> list[float | None]:
    """Return for each fault of a scenario the share of its growth from which food is at risk on a hot day.

    Parameters
    ----------
    scenario : Scenario
        With its faults.
    end_ms : int
        Any moment; the air is the same at every one. [ms]

    Returns
    -------
    list of float or None
        Share of its time to grow, from 0 to 1, after which the unit cannot hold its food below its limit
        in constant air of `DESIGN_C`; NaN where it cannot even when sound, infinite where it always can,
        None for faults that are not asked of.
    """
    tries = list(_tries(scenario.faults))
    at_risk = _at_risk(scenario, tries, end_ms)
    found: list[float | None] = [None] * len(scenario.faults)
    for k in {one.fault for one in tries}:
        risky = {one.share: risk for one, risk in zip(tries, at_risk, strict=True) if one.fault == k}
        if risky.pop(0.0):
            found[k] = float("nan")
        else:
            found[k] = min((share for share, risk in risky.items() if risk), default=float("inf"))
    return found


def _tries(faults: Sequence[Fault]) -> Iterator[_Try]:
    for k, fault in enumerate(faults):
        if fault.kind not in COOLING or fault.unit is None:
            continue
        yield _Try(k, 0.0, fault.unit, None)
        law = fault.law if fault.law is not None else KINDS[fault.kind].law
        grows = fault.grows_h is None or fault.grows_h > 0.0
        for share in np.linspace(0.0, 1.0, SHARES + 1)[1:].tolist() if grows else (1.0,):
            parameter = parameters_of(fault)[0]
            by = float(grown(np.array([share]), law)[0])
            amount = parameter.neutral + (parameter.full - parameter.neutral) * by
            yield _Try(k, share, fault.unit, fault.model_copy(update={"amount": amount, "grows_h": 0.0}))


def _at_risk(scenario: Scenario, tries: Sequence[_Try], end_ms: int) -> list[bool]:
    """Return whether each could hold its food, all of them side by side."""
    if not tries:
        return []
    known = {unit.id: (unit, physics) for unit, physics in scenario.units}
    units, ills = [], []
    for number, one in enumerate(tries):
        unit, physics = known[one.unit]
        name = f"{number}"
        supply = FleetSupply(kind="mains")
        units.append(
            (
                unit.model_copy(update={"id": name, "site": _HOT, "supply": supply}),
                physics.model_copy(
                    update={
                        "id": name,
                        "food_kg": LIGHT_KG,
                        "in_sun_k": 0.0,
                        "parked_sun_k": None,
                        "engine_k": 0.0,
                        "openings": (0, 0),
                        "load": (),
                        "event": (),
                    }
                ),
            )
        )
        if one.ill is not None:
            begins = {"begins_d_before": SETTLES_D + 1.0, "begins_h_before": None, "at_h": None}
            ills.append(one.ill.model_copy(update={"unit": name, "lasts_h": None, **begins}))
    weather = SiteWeather(id=_HOT, night_c=DESIGN_C, day_c=DESIGN_C, spread_k=0.0, cloud_share=0.0)
    trial = replace(
        scenario,
        sites=((FleetSite(id=_HOT), weather),),
        banks=(),
        units=tuple(units),
        faults=tuple(ills),
        origin={},
        numbers={},
    )
    simulator = Simulator(trial, anchor_ms=end_ms, start_ms=end_ms - SETTLES_D * DAY_MS)
    food_c = np.zeros(len(tries))
    for block in simulator.blocks(end_ms):
        food_c = np.asarray(block.true["food_c"][-1], dtype=np.float64)
    settings = settings_of(scenario)
    limits_c = np.array([limits_of(settings[one.unit]).food_limit_c for one in tries])
    return [bool(risk) for risk in food_c > limits_c]
