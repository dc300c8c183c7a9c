"""Builds the electrics of small made-up fleets for tests of the simulator."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from firmware_sim.plant.electrics import Electrics, Inputs
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import (
    BankPhysics,
    FleetBank,
    FleetSite,
    FleetSupply,
    FleetUnit,
    SiteWeather,
    UnitPhysics,
)


def scenario_of(banks, units, *, site=None) -> Scenario:
    """Join pairs of bank and unit settings at one site, without files."""
    weather = site if site is not None else SiteWeather(id="here")
    return Scenario(
        name="Made",
        seed=1,
        path=Path("made.toml"),
        fleet_path=Path("made_fleet.toml"),
        sites=((FleetSite(id="here", timezone="Africa/Lusaka"), weather),),
        banks=tuple(banks),
        units=tuple(units),
    )


def bank(chemistry="agm", *, nominal_v=12, capacity_ah=100.0, other_load_a=0.0, name="bank", **physics):
    """Return one bank, new and full where nothing else is said."""
    settings = {"health": 1.0, "start_soc": 1.0, "ageing": 0.0, "self_discharge_per_month": 0.0} | physics
    label = FleetBank(
        id=name,
        chemistry=chemistry,
        nominal_v=nominal_v,
        capacity_ah=capacity_ah,
        other_load_a=other_load_a,
    )
    return label, BankPhysics(id=name, **settings)


def unit(name="unit", *, on="bank", cable_length_m=2.0, cable_mm2=6.0, **physics):
    """Return one unit on a bank, or on mains where `on` is None."""
    supply = FleetSupply(
        kind="mains" if on is None else "battery",
        bank=on,
        cable_length_m=cable_length_m,
        cable_mm2=cable_mm2,
    )
    fleet = FleetUnit(id=name, kind="fridge", site="here", supply=supply)
    return fleet, UnitPhysics(id=name, **physics)


class Rig:
    """Electrics with their state, driven by watts."""

    def __init__(self, banks, units=None, **settings) -> None:
        self.scenario = scenario_of(banks, [unit()] if units is None else units, **settings)
        self.electrics = Electrics(self.scenario)
        self.state = self.electrics.start()
        self.banks, self.units = len(self.scenario.banks), len(self.scenario.units)

    def step(self, watts=0.0, *, dt_s=30.0, **inputs):
        """Move one step; numbers count for every unit or bank."""
        sizes = {"cable_c": self.units, "fed": self.units}
        filled = {
            name: np.broadcast_to(np.asarray(value), (sizes.get(name, self.banks),))
            for name, value in inputs.items()
        }
        load_w = np.broadcast_to(np.asarray(watts, dtype=float), (self.units,))
        return self.electrics.step(self.state, load_w, replace(Inputs(), **filled), dt_s=dt_s)

    def run(self, hours, watts=0.0, *, dt_s=30.0, **inputs):
        """Move on for hours and return the last step."""
        for _ in range(round(hours * 3600.0 / dt_s)):
            shown = self.step(watts, dt_s=dt_s, **inputs)
        return shown

    @property
    def held_ah(self):
        """Charge in both wells."""
        return self.state.q1_ah + self.state.q2_ah
