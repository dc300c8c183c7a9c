"""What every cabinet and machine of a scenario is made of, as arrays over the units."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.control import Limits
from firmware_sim.plant.cabinet import SEAL_W_PER_M_K, Shell, box_shell
from firmware_sim.plant.cable import cable_ohm
from firmware_sim.plant.food import Foods
from firmware_sim.plant.refrigeration import Cycles, Machines, sized
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import FleetUnit, UnitPhysics
from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

DEFAULT_CUTOUT_V = 11.4
DEFAULT_RESTART_V = 12.5
"""At 12 V, where the fleet file gives none. [V] Common practice, no source."""

DEFAULT_VOLUME_L = 60.0
"""Where the fleet file gives none. [l] Judgement."""

USUAL_BOX_M = (0.60, 0.36, 0.38)
"""Inside of an 82 l box, whose proportions stand for all where no measures are given [m]."""

PLATE_GAP_K = 8.0
EVAPORATOR_GAP_K = 4.0
"""Cabinet air over plate, plate over refrigerant, when rated. [K] Together 8-15 K (common practice)."""

CONDENSER_GAP_K = {"fan": 12.0, "static": 20.0}
"""Refrigerant over outside air when rated: 10-15 K with a fan, 15-25 K without (common practice) [K]."""

CONDENSER_FAN_W = 2.5
EVAPORATOR_FAN_W = 2.0
"""Taken by a fan. [W] Judgement."""

STARTING_RATIO = 2.0
"""Starting current over running current, with the soft start of small machines. [1] Judgement."""

AIR_SHARE = 0.65
"""Share of `liner_kj_per_k` that follows the air; the rest follows the plate. [1] Judgement."""

PLATE_FROST_KG = 0.9
COIL_FROST_KG = 0.25
"""Frost that leaves exp(-1) of the way from air to evaporator, at 60 W of cooling: plate, finned coil with
fan. Half is left at 0.6 kg on a plate, about 4 mm, where people usually scrape. [kg] Judgement."""

LID_SHARE = 0.2
"""Cold air lies low: a lid lets this share of an air change pass, 0.1-0.3. [1] Common practice, no source."""


@dataclass(frozen=True)
class Sizes:
    """Arrays of (n,) that never change."""

    cycles: Cycles
    machines: Machines
    foods: Foods
    limits: Limits
    runs: BoolArray
    leader: IntArray
    """The unit whose machine cools this one: itself, or the one it shares with."""
    walls_w_per_k: FloatArray
    seal_w_per_k: FloatArray
    plate_w_per_k: FloatArray
    food_w_per_k: FloatArray
    fresh_w_per_kg_k: FloatArray
    food_kg: FloatArray
    air_j_per_k: FloatArray
    plate_j_per_k: FloatArray
    frost_scale_kg: FloatArray
    start_frost_kg: FloatArray
    volume_m3: FloatArray
    opening_m2: FloatArray
    opening_m: FloatArray
    passing_share: FloatArray
    condenser_fan: FloatArray
    evaporator_fan: FloatArray
    """One where there is a fan."""
    standby_w: FloatArray
    starting_a: FloatArray
    """Drawn for a moment by a compressor that starts; none counts where there is no battery."""
    cable_ohm: FloatArray
    joint_ohm: FloatArray


def _given(value: float | None, default: float) -> float:
    return default if value is None else value


def _box_m(unit: FleetUnit, physics: UnitPhysics) -> tuple[float, float, float]:
    if physics.inside_mm is not None:
        length, width, height = (side / 1000.0 for side in physics.inside_mm)
        return length, width, height
    usual_l = 1000.0 * USUAL_BOX_M[0] * USUAL_BOX_M[1] * USUAL_BOX_M[2]
    scale = (_given(unit.volume_l, DEFAULT_VOLUME_L) / usual_l) ** (1.0 / 3.0)
    return USUAL_BOX_M[0] * scale, USUAL_BOX_M[1] * scale, USUAL_BOX_M[2] * scale


def _shell(unit: FleetUnit, physics: UnitPhysics) -> Shell:
    """Return the shell from its measures, or the given loss split as the seal's length says."""
    length, width, height = _box_m(unit, physics)
    if physics.inside_mm is not None:
        return box_shell(
            length_m=length,
            width_m=width,
            height_m=height,
            wall_m=physics.wall_mm / 1000.0,
            foam_w_per_m_k=physics.foam_w_per_m_k,
        )
    seal = min(SEAL_W_PER_M_K * 2.0 * (length + width), 0.3 * physics.shell_w_per_k)
    return Shell(physics.shell_w_per_k - seal, seal)


def leaders(units: tuple[FleetUnit, ...]) -> IntArray:
    """Return whose machine cools each unit; of two that name each other it is the first."""
    position = {unit.id: i for i, unit in enumerate(units)}
    found: IntArray = np.arange(len(units), dtype=np.int64)
    for i, unit in enumerate(units):
        other = position.get(unit.compressor.shared_with or "", i)
        mutual = units[other].compressor.shared_with == unit.id
        found[i] = min(i, other) if mutual else other
    return found


def limits_of(scenario: Scenario, nominal_v: FloatArray, on_bank: BoolArray) -> Limits:
    """Return the settings of every controller; without a battery nothing is guarded."""
    twelves = nominal_v / 12.0
    fleet = [u for u, _ in scenario.units]
    physics = [p for _, p in scenario.units]

    def volts(default: float, *given: float | None) -> FloatArray:
        both = zip(given, twelves, strict=True)
        return np.array([_given(value, default * k) for value, k in both]) * on_bank

    def seconds(name: str) -> FloatArray:
        return np.array([float(getattr(p, name)) for p in physics])

    return Limits(
        set_point_c=np.array([u.aim_c for u in fleet]),
        half_differential_k=seconds("half_differential_k"),
        cutout_v=volts(DEFAULT_CUTOUT_V, *(u.supply.cutout_v for u in fleet)),
        restart_v=volts(DEFAULT_RESTART_V, *(u.supply.restart_v for u in fleet)),
        cutout_delay_s=seconds("cutout_delay_s"),
        restart_delay_s=seconds("restart_delay_s"),
        rest_s=seconds("rest_s"),
        brownout_v=np.zeros(len(fleet)),
        lowest_speed_share=np.array(
            [p.lowest_speed_share if u.compressor.variable_speed else 1.0 for u, p in scenario.units]
        ),
    )


def _machines(
    scenario: Scenario, nominal_v: FloatArray, *, aim_c: FloatArray, fans_w: FloatArray
) -> tuple[Cycles, Machines]:
    fleet = [u for u, _ in scenario.units]
    physics = [p for _, p in scenario.units]
    running_a = np.array([_given(u.compressor.running_a, np.nan) for u in fleet])
    cycles = Cycles([p.refrigerant for p in physics])
    n = len(fleet)
    machines = sized(
        cycles,
        cooling_w=np.array([p.cooling_w for p in physics]),
        compressor_w=running_a * nominal_v - fans_w,
        cabinet_c=aim_c,
        plate_gap_k=np.full(n, PLATE_GAP_K),
        evaporator_gap_k=np.full(n, EVAPORATOR_GAP_K),
        condenser_gap_k=np.array([CONDENSER_GAP_K[p.condenser_cooling] for p in physics]),
        recirculation_share=np.array([p.recirculation_share for p in physics]),
    )
    return cycles, machines


def sizes_of(scenario: Scenario, *, nominal_v: FloatArray, on_bank: BoolArray) -> Sizes:
    """Return the sizes of everything but the electrics."""
    fleet = tuple(u for u, _ in scenario.units)
    physics = [p for _, p in scenario.units]

    def per_unit(name: str) -> FloatArray:
        return np.array([float(getattr(p, name)) for p in physics])

    limits = limits_of(scenario, nominal_v, on_bank)
    condenser_fan = np.array([float(p.condenser_cooling == "fan") for p in physics])
    evaporator_fan = per_unit("evaporator_fan")
    fans_w = CONDENSER_FAN_W * condenser_fan + EVAPORATOR_FAN_W * evaporator_fan
    cycles, machines = _machines(scenario, nominal_v, aim_c=limits.set_point_c, fans_w=fans_w)
    shells = [_shell(u, p) for u, p in scenario.units]
    boxes = np.array([_box_m(u, p) for u, p in scenario.units])
    door = np.array([p.opening == "door" for p in physics])
    liner, cooling, food_kg = per_unit("liner_kj_per_k"), per_unit("cooling_w"), per_unit("food_kg")
    return Sizes(
        cycles=cycles,
        machines=machines,
        foods=Foods([p.food for p in physics]),
        limits=limits,
        runs=np.array([p.runs for p in physics]),
        leader=leaders(fleet),
        walls_w_per_k=np.array([s.walls_w_per_k for s in shells]),
        seal_w_per_k=np.array([s.seal_w_per_k for s in shells]),
        plate_w_per_k=cooling / PLATE_GAP_K,
        food_w_per_k=per_unit("contact_w_per_k"),
        fresh_w_per_kg_k=per_unit("contact_w_per_k") / np.maximum(food_kg, 5.0),
        food_kg=food_kg,
        air_j_per_k=1000.0 * AIR_SHARE * liner,
        plate_j_per_k=1000.0 * (1.0 - AIR_SHARE) * liner,
        frost_scale_kg=np.where(evaporator_fan > 0.0, COIL_FROST_KG, PLATE_FROST_KG) * cooling / 60.0,
        start_frost_kg=per_unit("frost_kg"),
        volume_m3=boxes.prod(axis=1),
        opening_m2=np.where(door, boxes[:, 0] * boxes[:, 2], boxes[:, 0] * boxes[:, 1]),
        opening_m=boxes[:, 2],
        passing_share=np.where(door, 1.0, LID_SHARE),
        condenser_fan=condenser_fan,
        evaporator_fan=evaporator_fan,
        standby_w=per_unit("standby_w"),
        starting_a=STARTING_RATIO * machines.rated_w / nominal_v * on_bank,
        cable_ohm=np.array(
            [cable_ohm(length_m=u.supply.cable_length_m, section_mm2=u.supply.cable_mm2) for u in fleet]
        ),
        joint_ohm=per_unit("joint_mohm") / 1000.0,
    )
