"""Run-out forecasts against simulated batteries nobody told the truth about.

A made-up fleet for every seed: capacity is label times N(0.8, 0.12), the age unknown to the unit file,
everything else within the ranges of `RANGES`. From instants along a month the world goes on without
any charger, which gives the true hours; the forecast sees the samples until then and the unit file.
Two baselines stand beside it. The simulator is ours: this measures agreement with it, not with the field.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel

from firmware_sim.branches import Taken, run_outs
from firmware_sim.history import Block, Simulator, read_by, sampled_rows
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import (
    BankPhysics,
    FleetBank,
    FleetSite,
    FleetUnit,
    SiteWeather,
    UnitPhysics,
)
from firmware_sim.sensors import COLUMN_OF
from services.domain import Bank, Compressor, Fleet, Site, Supply, Unit
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS

WARM_UP_DAYS = 8
"""Before this day of a run nothing is asked: the service would not have its week yet."""

EVERY_H = 11
"""Hours between instants; no divisor of a day, so that every hour of the day comes up."""

FOOD_LIMIT_C = 5.0
"""Of the food in every cabinet here."""

ENDS_MS = 1_792_886_400_000
"""2026-10-24T20:00:00Z: where every run ends."""

RANGES: Mapping[str, tuple[float, float]] = {
    "label_ah": (60.0, 160.0),
    "cutout_v": (10.8, 11.6),
    "restart_above_v": (0.6, 1.3),
    "cable_length_m": (2.0, 7.0),
    "joint_mohm": (5.0, 60.0),
    "shell_w_per_k": (0.45, 0.85),
    "cooling_w": (48.0, 70.0),
    "running_a": (3.6, 5.2),
    "food_kg": (4.0, 25.0),
    "night_c": (10.0, 22.0),
    "warmer_by_day_k": (10.0, 18.0),
    "drive_a": (8.0, 28.0),
    "drive_h": (1.0, 3.5),
    "panel_wp": (60.0, 250.0),
    "other_load_a": (0.0, 0.6),
    "in_sun_k": (0.0, 10.0),
}
"""Lowest and highest value of what is drawn evenly. Cable, joints, cut-outs, cabinets: common practice."""

HEALTH_MEAN, HEALTH_SD = 0.8, 0.12
INSTALLED = date(2021, 10, 1)
"""Told of two banks in three: at five years the rule of age expects the mean of `HEALTH_MEAN`."""
CHEMISTRIES: tuple[Literal["flooded", "agm", "gel", "lifepo4"], ...] = (
    "flooded",
    "agm",
    "gel",
    "agm",
    "flooded",
    "lifepo4",
)
TWO_DRIVES = 0.7
"""Chance that a vehicle drives in the afternoon as well."""
SECTIONS_MM2 = (2.5, 4.0, 6.0)
CHANNELS = (
    ("cabinet", "battery", "compressor"),
    ("cabinet", "battery", "compressor", "ambient"),
    ("cabinet", "battery", "compressor", "ambient", "current"),
)


Choice = TypeVar("Choice")
Part = tuple[IntArray, dict[str, npt.NDArray[Any]]]


@dataclass(frozen=True)
class MadeUp:
    """One seed's fleet: what the files say, and what is really so."""

    fleet: Fleet
    scenario: Scenario


class _Draw:
    """Draws what one seed's vehicles are."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def __call__(self, name: str) -> float:
        return float(self.rng.uniform(*RANGES[name]))

    def of(self, choices: Sequence[Choice]) -> Choice:
        return choices[int(self.rng.integers(len(choices)))]


@dataclass(frozen=True)
class _Vehicle:
    """One vehicle, or a camp under a panel: what the files say, and what is really so."""

    site: tuple[Site, SiteWeather]
    bank: tuple[Bank, BankPhysics]
    units: tuple[tuple[Unit, UnitPhysics], ...]


def made_up(seed: int, *, vehicles: int) -> MadeUp:
    """Return a fleet of vehicles and camps, one bank each; every fourth has two cabinets on it."""
    draw = _Draw(seed)
    every = [_vehicle(draw, k) for k in range(vehicles)]
    fleet = Fleet(
        sites=tuple(one.site[0] for one in every),
        banks=tuple(one.bank[0] for one in every),
        units=tuple(unit for one in every for unit, _ in one.units),
    )
    scenario = Scenario(
        name=f"back-test {seed}",
        seed=seed,
        path=Path("backtest.toml"),
        fleet_path=Path("backtest_fleet.toml"),
        sites=tuple((FleetSite.model_validate(_told(one.site[0])), one.site[1]) for one in every),
        banks=tuple((FleetBank.model_validate(_told(one.bank[0])), one.bank[1]) for one in every),
        units=tuple(
            (FleetUnit.model_validate(_told(unit)), physics) for one in every for unit, physics in one.units
        ),
    )
    return MadeUp(fleet, scenario)


def _vehicle(draw: _Draw, k: int) -> _Vehicle:
    camp = k % 4 == 3  # noqa: PLR2004 - every fourth stands still under a panel
    panel_wp = float(round(draw("panel_wp"))) if camp else 0.0
    site, bank = _site(draw, k, camp=camp), _bank(draw, k, panel_wp)
    names = (f"unit-{k:02d}", f"unit-{k:02d}-b") if k % 4 == 1 else (f"unit-{k:02d}",)
    return _Vehicle(site, bank, tuple(_unit(draw, k, name, panel_wp) for name in names))


def _site(draw: _Draw, k: int, *, camp: bool) -> tuple[Site, SiteWeather]:
    night_c = draw("night_c")
    weather = SiteWeather(
        id=f"site-{k:02d}",
        night_c=night_c,
        day_c=night_c + draw("warmer_by_day_k"),
        drives=() if camp else _drives(draw),
    )
    return Site(id=weather.id, name=weather.id, kind="camp" if camp else "vehicle"), weather


def _bank(draw: _Draw, k: int, panel_wp: float) -> tuple[Bank, BankPhysics]:
    health = float(np.clip(draw.rng.normal(HEALTH_MEAN, HEALTH_SD), 0.35, 1.15))
    bank = Bank(
        id=f"bank-{k:02d}",
        chemistry=CHEMISTRIES[k % len(CHEMISTRIES)],
        nominal_v=12,
        capacity_ah=round(draw("label_ah") / 5.0) * 5.0,
        other_load_a=round(draw("other_load_a"), 1),
        installed=None if (k + k // 6) % 3 == 2 else INSTALLED,  # noqa: PLR2004 - a third of unknown age
    )
    return bank, BankPhysics(id=bank.id, health=health, drive_a=draw("drive_a"), panel_wp=panel_wp)


def _unit(draw: _Draw, k: int, name: str, panel_wp: float) -> tuple[Unit, UnitPhysics]:
    cutout_v = round(draw("cutout_v"), 1)
    unit = Unit(
        id=name,
        kind="fridge",
        site=f"site-{k:02d}",
        set_point_c=3.0,
        interval_s=60,
        supply=Supply(
            bank=f"bank-{k:02d}",
            cutout_v=cutout_v,
            restart_v=round(cutout_v + draw("restart_above_v"), 1),
            cable_length_m=round(draw("cable_length_m"), 1),
            cable_mm2=draw.of(SECTIONS_MM2),
            panel_wp=panel_wp,
        ),
        compressor=Compressor(running_a=round(draw("running_a"), 1)),
    )
    physics = UnitPhysics(
        id=unit.id,
        shell_w_per_k=draw("shell_w_per_k"),
        cooling_w=draw("cooling_w"),
        food_kg=draw("food_kg"),
        joint_mohm=draw("joint_mohm"),
        in_sun_k=draw("in_sun_k"),
        channels=draw.of(CHANNELS),
    )
    return unit, physics


def _told(described: BaseModel) -> dict[str, Any]:
    return described.model_dump(mode="json", exclude_none=True)


def _drives(draw: _Draw) -> tuple[tuple[float, float], ...]:
    """Return a morning and, mostly, an afternoon drive; hours of the day."""
    begins = [float(draw.rng.uniform(5.0, 8.0)), float(draw.rng.uniform(14.5, 17.0))]
    drives = [(begin, begin + draw("drive_h")) for begin in begins]
    return tuple(drives if draw.rng.random() < TWO_DRIVES else drives[:1])


@dataclass(frozen=True)
class Played:
    """One simulated run, as it was measured, and its true run-outs."""

    series: Mapping[str, Series]
    at_ms: tuple[int, ...]
    stops_h: FloatArray
    """(instants, units)"""
    warm_h: FloatArray
    """(instants, units) Until the food's core is above `FOOD_LIMIT_C`; NaN beyond the horizon."""
    stopped: FloatArray
    """(instants, units) 1 where the unit stood without supply then."""
    charged: FloatArray
    """(instants, units) 1 where something really charged the bank then."""
    soc: FloatArray
    """(instants, units) True state of charge of the unit's bank."""


def play(
    made: MadeUp, *, days: float, every_h: float = EVERY_H, warm_up_days: float = WARM_UP_DAYS
) -> Played:
    """Simulate a run and look for the true run-out from instants along it."""
    scenario = made.scenario
    start_ms = ENDS_MS - round(days * DAY_MS)
    simulator = Simulator(scenario, anchor_ms=ENDS_MS, start_ms=start_ms)
    instants = list(range(start_ms + round(warm_up_days * DAY_MS), ENDS_MS, round(every_h * HOUR_MS)))
    parts: dict[str, list[Part]] = {u: [] for u in scenario.unit_ids}
    taken, stopped, charged, soc = [], [], [], []
    for until_ms in [*instants, ENDS_MS]:
        block = None
        for block in simulator.blocks(until_ms):
            for unit, part in measured(scenario, block):
                parts[unit].append(part)
        if until_ms in instants and block is not None:
            taken.append(Taken.of(simulator.reached_ms, simulator.state))
            stopped.append(np.asarray(block.true["locked"][-1], dtype=float))
            soc.append(np.asarray(block.true["soc"][-1], dtype=float))
            charged.append(np.asarray(block.true["source"][-1] > 0, dtype=float))
    found = run_outs(scenario, taken, anchor_ms=ENDS_MS)
    return Played(
        series={unit: joined(own) for unit, own in parts.items()},
        at_ms=tuple(one.t_ms for one in found),
        stops_h=np.stack([one.stops_h for one in found]),
        warm_h=np.stack([one.risk_h[FOOD_LIMIT_C] for one in found]),
        stopped=np.stack(stopped),
        charged=np.stack(charged),
        soc=np.stack(soc),
    )


def joined(parts: Sequence[Part]) -> Series:
    """Return one unit's parts as a series."""
    return Series(
        np.concatenate([t_ms for t_ms, _ in parts]),
        {name: np.concatenate([columns[name] for _, columns in parts]) for name in parts[0][1]},
    )


def measured(scenario: Scenario, block: Block) -> Iterator[tuple[str, Part]]:
    """Yield what each unit's board measures of a block."""
    columns = {COLUMN_OF[name] for _, physics in scenario.units for name in physics.channels}
    shown = {column: read_by(block, column) for column in columns}
    for i, (unit, physics) in enumerate(scenario.units):
        rows = sampled_rows(
            block.t_ms, interval_s=unit.interval_s, phase_s=physics.phase_s, step_s=scenario.step_s
        )
        own = {COLUMN_OF[name]: shown[COLUMN_OF[name]][rows, i] for name in physics.channels}
        yield unit.id, (block.t_ms[rows], own)
