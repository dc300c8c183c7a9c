"""Run-out forecasts against simulated batteries nobody told the truth about.

A made-up fleet for every seed: capacity is label times N(0.8, 0.12), the age unknown to the unit file,
everything else within the ranges of `RANGES`. From instants along a month the world goes on without
any charger, which gives the true hours; the forecast sees the samples until then and the unit file.
Two baselines stand beside it. The simulator is ours: this measures agreement with it, not with the field.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

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
from services.telemetry import FloatArray, Series
from services.timebase import DAY_MS, HOUR_MS

WARM_UP_DAYS = 8
"""Before this day of a run nothing is asked: the service would not have its week yet."""

EVERY_H = 11
"""Hours between instants; no divisor of a day, so that every hour of the day comes up."""

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
CHEMISTRIES = ("flooded", "agm", "gel", "agm", "flooded", "lifepo4")
SECTIONS_MM2 = (2.5, 4.0, 6.0)
CHANNELS = (
    ("cabinet", "battery", "compressor"),
    ("cabinet", "battery", "compressor", "ambient"),
    ("cabinet", "battery", "compressor", "ambient", "current"),
)


@dataclass(frozen=True)
class MadeUp:
    """One seed's fleet: what the files say, and what is really so."""

    fleet: Fleet
    scenario: Scenario


def made_up(seed: int, *, vehicles: int) -> MadeUp:
    """Return a fleet of vehicles and camps, one cabinet and one bank each."""
    rng = np.random.default_rng(seed)
    draw = lambda name: float(rng.uniform(*RANGES[name]))  # noqa: E731
    sites, banks, units = [], [], []
    site_physics, bank_physics, unit_physics = [], [], []
    for k in range(vehicles):
        name, camp = f"x{k:02d}", k % 4 == 3  # noqa: PLR2004 - every fourth stands still under a panel
        night_c = draw("night_c")
        drives = () if camp else _drives(rng)
        sites.append(Site(id=f"s-{name}", name=name, kind="camp" if camp else "vehicle"))
        site_physics.append(
            SiteWeather(
                id=f"s-{name}", night_c=night_c, day_c=night_c + draw("warmer_by_day_k"), drives=drives
            )
        )
        cutout_v = round(draw("cutout_v"), 1)
        health = float(np.clip(rng.normal(HEALTH_MEAN, HEALTH_SD), 0.35, 1.15))
        banks.append(
            Bank(
                id=f"b-{name}",
                chemistry=CHEMISTRIES[k % len(CHEMISTRIES)],
                nominal_v=12,
                capacity_ah=round(draw("label_ah") / 5.0) * 5.0,
                other_load_a=round(draw("other_load_a"), 1),
            )
        )
        panel_wp = round(draw("panel_wp")) if camp else 0.0
        bank_physics.append(
            BankPhysics(id=f"b-{name}", health=health, drive_a=draw("drive_a"), panel_wp=panel_wp)
        )
        units.append(
            Unit(
                id=f"u-{name}",
                kind="fridge",
                site=f"s-{name}",
                set_point_c=3.0,
                interval_s=60,
                supply=Supply(
                    bank=f"b-{name}",
                    cutout_v=cutout_v,
                    restart_v=round(cutout_v + draw("restart_above_v"), 1),
                    cable_length_m=round(draw("cable_length_m"), 1),
                    cable_mm2=SECTIONS_MM2[int(rng.integers(len(SECTIONS_MM2)))],
                    panel_wp=panel_wp,
                ),
                compressor=Compressor(running_a=round(draw("running_a"), 1)),
            )
        )
        unit_physics.append(
            UnitPhysics(
                id=f"u-{name}",
                shell_w_per_k=draw("shell_w_per_k"),
                cooling_w=draw("cooling_w"),
                food_kg=draw("food_kg"),
                joint_mohm=draw("joint_mohm"),
                in_sun_k=draw("in_sun_k"),
                channels=CHANNELS[int(rng.integers(len(CHANNELS)))],
            )
        )
    fleet = Fleet(sites=tuple(sites), banks=tuple(banks), units=tuple(units))
    scenario = Scenario(
        name=f"back-test {seed}",
        seed=seed,
        path=Path("backtest.toml"),
        fleet_path=Path("backtest_fleet.toml"),
        sites=tuple(
            (FleetSite.model_validate(a.model_dump()), b) for a, b in zip(sites, site_physics, strict=True)
        ),
        banks=tuple(
            (FleetBank.model_validate(a.model_dump()), b) for a, b in zip(banks, bank_physics, strict=True)
        ),
        units=tuple(
            (FleetUnit.model_validate(_without_none(a.model_dump())), b)
            for a, b in zip(units, unit_physics, strict=True)
        ),
    )
    return MadeUp(fleet, scenario)


def _drives(rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Return a morning and, mostly, an afternoon drive; hours of the day."""
    length = lambda: float(rng.uniform(*RANGES["drive_h"]))  # noqa: E731
    morning, afternoon = float(rng.uniform(5.0, 8.0)), float(rng.uniform(14.5, 17.0))
    drives = [(morning, morning + length()), (afternoon, afternoon + length())]
    return tuple(drives if rng.random() < 0.7 else drives[:1])  # noqa: PLR2004 - mostly


def _without_none(tree: dict[str, object]) -> dict[str, object]:
    return {
        key: _without_none(value) if isinstance(value, dict) else value
        for key, value in tree.items()
        if value is not None
    }


@dataclass(frozen=True)
class Played:
    """One simulated run, as it was measured, and its true run-outs."""

    series: Mapping[str, Series]
    at_ms: tuple[int, ...]
    stops_h: FloatArray
    """(instants, units)"""
    stopped: FloatArray
    """(instants, units) 1 where the unit stood without supply then."""
    charged: FloatArray
    """(instants, units) 1 where something really charged the bank then."""
    soc: FloatArray
    """(instants, units) True state of charge of the unit's bank."""


def play(made: MadeUp, *, days: float, every_h: float = EVERY_H) -> Played:
    """Simulate a run and look for the true run-out from instants along it."""
    scenario = made.scenario
    start_ms = ENDS_MS - round(days * DAY_MS)
    simulator = Simulator(scenario, anchor_ms=ENDS_MS, start_ms=start_ms)
    instants = list(range(start_ms + WARM_UP_DAYS * DAY_MS, ENDS_MS, round(every_h * HOUR_MS)))
    parts: dict[str, list[tuple[np.ndarray, dict[str, np.ndarray]]]] = {u: [] for u in scenario.unit_ids}
    taken, stopped, charged, soc = [], [], [], []
    for until_ms in [*instants, ENDS_MS]:
        block = None
        for block in simulator.blocks(until_ms):
            for unit, part in _measured(scenario, block):
                parts[unit].append(part)
        if until_ms in instants and block is not None:
            taken.append(Taken.of(simulator.reached_ms, simulator.state))
            stopped.append(np.asarray(block.true["locked"][-1], dtype=float))
            soc.append(np.asarray(block.true["soc"][-1], dtype=float))
            charged.append(np.asarray(block.true["source"][-1] > 0, dtype=float))
    found = run_outs(scenario, taken, anchor_ms=ENDS_MS)
    return Played(
        series={
            unit: Series(
                np.concatenate([t for t, _ in own]),
                {name: np.concatenate([c[name] for _, c in own]) for name in own[0][1]},
            )
            for unit, own in parts.items()
        },
        at_ms=tuple(one.t_ms for one in found),
        stops_h=np.stack([one.stops_h for one in found]),
        stopped=np.stack(stopped),
        charged=np.stack(charged),
        soc=np.stack(soc),
    )


def _measured(
    scenario: Scenario, block: Block
) -> Iterator[tuple[str, tuple[np.ndarray, dict[str, np.ndarray]]]]:
    columns = {COLUMN_OF[name] for _, physics in scenario.units for name in physics.channels}
    shown = {column: read_by(block, column) for column in columns}
    for i, (unit, physics) in enumerate(scenario.units):
        rows = sampled_rows(block.t_ms, interval_s=unit.interval_s, phase_s=physics.phase_s)
        own = {COLUMN_OF[name]: shown[COLUMN_OF[name]][rows, i] for name in physics.channels}
        yield unit.id, (block.t_ms[rows], own)
