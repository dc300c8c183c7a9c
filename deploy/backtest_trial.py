"""A made-up fleet for back-tests: one unit for every way a compressor stops, all sizes drawn afresh by seed.

Each unit has its own place, bank and habits, so that one unit's trouble is not another's. Ranges are those
common in practice; where none is known they are judgement.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np

from deploy.backtesting import Moved
from firmware_sim.plant.ageing import OHM_PER_LOSS
from firmware_sim.scenarios.fault_kinds import KINDS
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import (
    BankPhysics,
    Fault,
    FleetBank,
    FleetCompressor,
    FleetSite,
    FleetSupply,
    FleetUnit,
    HeatWave,
    SiteWeather,
    Spell,
    UnitPhysics,
)
from services.timebase import DAY_MS, HOUR_MS

Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]
Source = Literal["drives", "drive", "solar", "mains", "none"]
SECTIONS = (2.5, 4.0, 6.0, 10.0)
FRESH_MOHM_AH = 550.0
"""Of a new 12 V block at full charge: 5.5 mΩ at 100 Ah, within the 3 to 10 of common practice."""


@dataclass(frozen=True)
class Trial:
    """A fleet and who moves in it."""

    scenario: Scenario
    moves: tuple[Moved, ...]


@dataclass(frozen=True)
class Case:
    """One unit's story; what is not given is drawn."""

    name: str
    source: Source = "drives"
    chemistry: tuple[Chemistry, ...] = ("flooded", "agm", "gel")
    nights: float = 1.0
    """How many days the true bank carries the unit, about."""
    health: tuple[float, float] = (0.85, 1.05)
    bank: dict[str, Any] = field(default_factory=dict)
    unit: dict[str, Any] = field(default_factory=dict)
    supply: dict[str, Any] = field(default_factory=dict)
    site: dict[str, Any] = field(default_factory=dict)
    faults: tuple[dict[str, Any], ...] = ()
    moved: tuple[float, float] | None = None
    """To a worn bank: days before the end, hours it lasts."""
    variable_speed: bool = False
    volts: Literal[12, 24] | None = None
    both_ends: bool = False
    """The voltage is measured at the bank too."""


def _bad_day(kind: str, days_before: float, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - a fault's own keys
    return {"kind": kind, "begins_d_before": days_before, **more}


CASES: tuple[Case, ...] = (
    Case("sound-drives", nights=4.0),
    Case("sound-solar", source="solar", nights=4.0),
    Case("sound-lithium", chemistry=("lifepo4",), nights=4.0),
    Case("sound-mains-at-camp", source="mains", nights=3.0),
    Case("sound-variable", nights=4.0, variable_speed=True),
    Case("hot-and-sound", nights=5.0, site={"night_c": 24.0, "day_c": 40.0}, unit={"parked_sun_k": 14.0}),
    Case("small-bank", source="drive", nights=0.5),
    Case("small-bank-chatter", source="drive", nights=0.5, supply={"restart_above_v": 0.35}),
    Case("no-charge", source="none", nights=3.0, bank={"start_soc": 0.95}),
    Case("small-panel", source="solar", nights=0.7, bank={"panel_wp": 25.0}),
    Case("small-lithium", source="drive", chemistry=("lifepo4",), nights=0.45),
    Case(
        "solar-fails", source="solar", nights=1.2, faults=(_bad_day("failed_charger", 6.0, source="solar"),)
    ),
    Case("dcdc-fails", nights=1.2, faults=(_bad_day("failed_charger", 6.0, source="engine"),)),
    Case(
        "mains-fails", source="mains", nights=1.2, faults=(_bad_day("failed_charger", 6.0, source="mains"),)
    ),
    Case(
        "relay-sticks-open", nights=1.2, bank={"drive": "relay"}, faults=(_bad_day("relay_stuck_open", 6.0),)
    ),
    Case(
        "relay-sticks-closed",
        nights=0.7,
        bank={"drive": "relay"},
        faults=(_bad_day("relay_stuck_closed", 7.0),),
    ),
    Case("worn-bank", nights=1.2, faults=(_bad_day("weak_battery", 12.0, grows_h=120.0, amount=0.15),)),
    Case("worn-from-the-start", source="drive", nights=1.4, volts=12, health=(0.25, 0.4), bank={"worn": 2.0}),
    Case("sulphated", source="drive", nights=1.1, faults=(_bad_day("sulphated_bank", 13.0, grows_h=140.0),)),
    Case("corroded-lug", nights=3.0, faults=(_bad_day("corroded_joint", 9.0, grows_h=72.0, amount=0.5),)),
    Case("corroded-and-chatters", nights=3.0, supply={"restart_above_v": 0.5}, unit={"joint_mohm": 300.0}),
    Case("thin-cable", nights=3.0, faults=(_bad_day("undersized_cable", 8.0, amount=10.0),)),
    Case("cut-out-too-high", nights=4.0, supply={"cutout_v": 12.2}),
    Case("cut-out-turned-up", nights=1.5, faults=(_bad_day("cutout_turned", 6.0, amount=1.0),)),
    Case(
        "cut-out-turned-down",
        source="drive",
        nights=0.5,
        faults=(_bad_day("cutout_turned", 14.0, amount=-0.7),),
    ),
    Case(
        "cut-out-turned-and-back",
        nights=1.5,
        faults=(_bad_day("cutout_turned", 9.0, lasts_h=96.0, amount=1.0),),
    ),
    Case(
        "cut-out-turned-down-later",
        source="drive",
        nights=0.5,
        supply={"cutout_v": 11.4},
        faults=(_bad_day("cutout_turned", 6.0, amount=-0.7),),
    ),
    Case("cut-out-not-in-file", source="drive", nights=0.5, supply={"hidden": True}),
    Case(
        "plug-pulled",
        nights=4.0,
        faults=(_bad_day("unplugged", 5.0, lasts_h=7.0), _bad_day("unplugged", 2.0, lasts_h=11.0)),
    ),
    Case(
        "isolator-off",
        nights=4.0,
        faults=(_bad_day("isolator_off", 6.0, lasts_h=9.0), _bad_day("isolator_off", 3.0, lasts_h=5.0)),
    ),
    Case("half-tapped", source="drive", nights=1.0, volts=24, faults=(_bad_day("half_tapped", 12.0),)),
    Case("voltage-stuck", nights=4.0, faults=(_bad_day("voltage_stuck", 10.0),)),
    Case("voltage-scaled", nights=4.0, faults=(_bad_day("voltage_scaled", 10.0),)),
    Case("voltage-twice", nights=4.0, faults=(_bad_day("voltage_scaled", 10.0, amount=2.0),)),
    Case(
        "corroded-both-ends",
        nights=3.0,
        both_ends=True,
        faults=(_bad_day("corroded_joint", 9.0, grows_h=72.0, amount=0.5),),
    ),
    Case(
        "worn-both-ends", source="drive", nights=1.4, health=(0.25, 0.4), bank={"worn": 2.0}, both_ends=True
    ),
    Case(
        "worn-and-never-half-full",
        source="drive",
        nights=1.4,
        health=(0.25, 0.4),
        bank={"worn": 2.0, "start_soc": 0.4, "drive_a": 5.0},
        volts=24,
    ),
    Case("switched-off", nights=4.0, faults=(_bad_day("switched_off", 4.0, lasts_h=9.0),)),
    Case("moved-to-weak-bank", nights=4.0, volts=12, moved=(5.0, 120.0)),
    Case("stalled", nights=4.0, faults=(_bad_day("compressor_stalled", 3.0, lasts_h=20.0),)),
    Case(
        "trips-on-heat",
        nights=5.0,
        site={"night_c": 25.0, "day_c": 42.0},
        unit={"parked_sun_k": 18.0},
        faults=(_bad_day("condenser_fan_dead", 6.0),),
    ),
    Case("blocked-niche", nights=5.0, faults=(_bad_day("blocked_niche", 6.0, amount=25.0),)),
    Case("brown-out", source="drive", nights=0.5, faults=(_bad_day("gateway_brownout", 14.0, amount=11.2),)),
    Case("leaking-gas", nights=5.0, faults=(_bad_day("refrigerant_leak", 13.0, grows_h=250.0, amount=0.3),)),
    Case("lid-ajar", nights=5.0, faults=(_bad_day("lid_ajar", 5.0, lasts_h=6.0),)),
    Case("worn-gasket", nights=4.0, faults=(_bad_day("worn_gasket", 10.0, grows_h=100.0),)),
    Case("overloaded", nights=4.0, faults=(_bad_day("overload", 4.0, load_kg=15.0),)),
    Case("warmer-set-point", nights=4.0, faults=(_bad_day("wrong_set_point", 5.0, lasts_h=48.0),)),
    Case("thermostat-off", nights=4.0, faults=(_bad_day("thermostat_offset", 6.0),)),
    Case("probe-stuck", nights=4.0, faults=(_bad_day("sensor_stuck", 5.0, lasts_h=8.0),)),
    Case("probe-noisy", nights=4.0, faults=(_bad_day("sensor_noise", 5.0),)),
    Case("probe-drifts", nights=4.0, faults=(_bad_day("sensor_drift", 12.0),)),
    Case("generator-nights", source="none", unit={"kind": "generator"}),
    Case("mains-cuts", source="none", unit={"kind": "mains"}),
)
"""`restart_above_v` (over the cut-out), `hidden` (the file does not give it) and `worn` (resistance over a
sound one's) are turned into the fleet's and the bank's own keys."""


def trial(seed: int, *, start_ms: int, end_ms: int) -> Trial:
    """Return the fleet of a seed.

    Parameters
    ----------
    seed : int
        Of everything: sizes, weather, use, noise.
    start_ms, end_ms : int
        The stretch that will be played. [ms]
    """
    draw = np.random.default_rng([seed, 5])
    sites: list[tuple[FleetSite, SiteWeather]] = []
    banks: list[tuple[FleetBank, BankPhysics]] = []
    units: list[tuple[FleetUnit, UnitPhysics]] = []
    faults: list[Fault] = []
    moved: list[tuple[int, float, float]] = []
    for case in CASES:
        site_h = _hours(case, draw)
        sites.append((FleetSite(id=f"s-{case.name}"), _weather(case, draw, site_h)))
        running_a = float(draw.uniform(3.0, 5.5))
        drawn = 24 if draw.random() < 0.2 else 12  # noqa: PLR2004 - one bank in five
        volts = drawn if case.volts is None else case.volts
        scale = volts / 12.0
        fed_by = case.unit.get("kind", "battery")
        if fed_by == "battery":
            banks.append(_bank(case, draw, running_a=running_a / scale, volts=volts))
        units.append(_unit(case, draw, running_a=running_a / scale, volts=volts))
        faults += [_fault(entry, case) for entry in case.faults]
        if case.moved is not None:
            moved.append((len(units) - 1, *case.moved))
    weak = next(k for k, (bank, _) in enumerate(banks) if bank.id == "b-worn-from-the-start")
    scenario = Scenario(
        name="Trial",
        about="One unit for every way a compressor stops.",
        seed=seed,
        path=Path("trial.toml"),
        fleet_path=Path("no-such-fleet-file.toml"),
        sites=tuple(sites),
        banks=tuple(banks),
        units=tuple(units),
        faults=tuple(faults),
    )
    moves = []
    for index, days, hours in moved:
        begin = max(start_ms, end_ms - round(days * DAY_MS))
        moves.append(Moved(index, weak, begin, min(end_ms, begin + round(hours * HOUR_MS))))
    return Trial(scenario, tuple(moves))


def _hours(case: Case, draw: np.random.Generator) -> dict[str, Any]:
    """Return when engine, mains or generator run."""
    shift = float(draw.uniform(-0.7, 0.7))
    if case.source == "drives":
        return {"drives": ((5.8 + shift, 9.6 + shift), (15.5 + shift, 18.6 + shift))}
    if case.source == "drive":
        return {"drives": ((5.8 + shift, 10.5 + shift),)}
    if case.source == "mains":
        return {"mains": ((8.0 + shift, 17.0 + shift),)}
    if case.unit.get("kind") == "generator":
        return {"generator": ((5.0 + shift, 11.0 + shift), (15.0 + shift, 22.0 + shift))}
    if case.unit.get("kind") == "mains":
        spells = tuple(Spell(begins_d_before=float(d), lasts_h=float(draw.uniform(3, 10))) for d in (9, 5, 2))
        return {"supply_out": spells}
    return {}


def _weather(case: Case, draw: np.random.Generator, hours: dict[str, Any]) -> SiteWeather:
    night_c = float(draw.uniform(12.0, 22.0))
    given = {"night_c": night_c, "day_c": night_c + float(draw.uniform(10.0, 16.0)), **hours, **case.site}
    wave = HeatWave(begins_d_before=float(draw.uniform(3.0, 9.0)), lasts_h=48.0, rise_k=3.0)
    return SiteWeather(id=f"s-{case.name}", heat_wave=(wave,), **given)


def _bank(
    case: Case, draw: np.random.Generator, *, running_a: float, volts: int
) -> tuple[FleetBank, BankPhysics]:
    chemistry = case.chemistry[int(draw.integers(len(case.chemistry)))]
    health = float(draw.uniform(*case.health))
    mean_a = 0.4 * running_a + 0.4
    label_ah = round(max(24.0 * mean_a * case.nights * float(draw.uniform(0.85, 1.2)), 12.0))
    given = dict(case.bank)
    # Two 12 V blocks of the same capacity in series have twice the resistance of one.
    worn = given.pop("worn", 1.0) * (1.0 + OHM_PER_LOSS * max(1.0 - health, 0.0))
    given["resistance_mohm"] = worn * FRESH_MOHM_AH / label_ah * (volts / 12.0)
    if case.source == "solar":
        given.setdefault("panel_wp", 24.0 * mean_a * 12.0 * (volts / 12.0) / 3.2)
    for key in ("drive_a", "mains_a"):
        given.setdefault(key, max(0.25 * label_ah, 2.5 * running_a + 4.0))
    given.setdefault("start_soc", float(draw.uniform(0.75, 0.95)))
    bank = FleetBank(
        id=f"b-{case.name}",
        chemistry=chemistry,
        nominal_v=cast(Literal[12, 24], volts),
        capacity_ah=label_ah,
        other_load_a=float(draw.uniform(0.1, 0.7)),
    )
    return bank, BankPhysics(id=bank.id, health=health, **given)


def _unit(
    case: Case, draw: np.random.Generator, *, running_a: float, volts: int
) -> tuple[FleetUnit, UnitPhysics]:
    scale = volts / 12.0
    own = dict(case.unit)
    fed_by = own.pop("kind", "battery")
    freezer = draw.random() < 0.25  # noqa: PLR2004 - one unit in four
    cutout_v = float(case.supply.get("cutout_v", draw.uniform(10.4, 11.5)))
    above_v = float(case.supply.get("restart_above_v", draw.uniform(0.8, 1.3)))
    if case.chemistry == ("lifepo4",):
        cutout_v = float(draw.uniform(11.0, 11.9))
    supply = FleetSupply(
        kind=fed_by,
        bank=f"b-{case.name}" if fed_by == "battery" else None,
        cutout_v=None if case.supply.get("hidden") else round(cutout_v, 1) * scale,
        restart_v=None if case.supply.get("hidden") else round(cutout_v + above_v, 2) * scale,
        cable_length_m=float(draw.uniform(2.0, 6.0)),
        cable_mm2=SECTIONS[int(draw.integers(1, len(SECTIONS)))],
    )
    unit = FleetUnit(
        id=case.name,
        kind="freezer" if freezer else "fridge",
        site=f"s-{case.name}",
        set_point_c=-17.0 if freezer else float(round(draw.uniform(1.0, 5.0), 1)),
        volume_l=float(round(draw.uniform(35.0, 80.0))),
        interval_s=60 if draw.random() < 0.7 else 30,  # noqa: PLR2004 - most at a minute
        supply=supply,
        compressor=FleetCompressor(running_a=round(running_a, 1), variable_speed=case.variable_speed),
    )
    channels = ["cabinet", "battery", "compressor"] + (["current"] if case.variable_speed else [])
    channels += ["bank"] if case.both_ends else []
    if fed_by != "battery":
        channels = ["cabinet", "compressor"]
    cooling_w = running_a * volts * float(draw.uniform(1.0, 1.3))
    shell = cooling_w / (88.0 if freezer else 62.0) * float(draw.uniform(0.9, 1.2))
    physics = UnitPhysics(
        id=case.name,
        shell_w_per_k=shell,
        cooling_w=cooling_w,
        food_kg=float(draw.uniform(6.0, 22.0)),
        channels=tuple(channels),
        joint_mohm=own.pop("joint_mohm", float(draw.uniform(8.0, 28.0))) * scale**2,
        cutout_delay_s=float(draw.choice([0.0, 30.0, 60.0])),
        restart_delay_s=float(draw.choice([60.0, 120.0, 180.0])),
        half_differential_k=float(draw.uniform(0.7, 1.5)),
        **own,
    )
    return unit, physics


def _fault(entry: dict[str, Any], case: Case) -> Fault:
    on = "unit" if KINDS[entry["kind"]].on == "unit" else "bank"
    return Fault(**{on: case.name if on == "unit" else f"b-{case.name}"}, **entry)
