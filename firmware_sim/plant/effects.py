"""What faults do to cabinets and machines at a moment, worked out once for many steps."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.control import Limits
from firmware_sim.plant.refrigeration import condenser_ratio, wetted_share, work_ratio
from firmware_sim.plant.sizes import CONDENSER_FAN_W, EVAPORATOR_FAN_W, Sizes
from services.telemetry import FloatArray

BoolArray = npt.NDArray[np.bool_]

DEFAULT_FAULTS: dict[str, float] = {
    "wall_ratio": 1.0,
    "gasket_ratio": 1.0,
    "condenser_ratio": 1.0,
    "condenser_fan": 1.0,
    "evaporator_fan": 1.0,
    "charge_ratio": 1.0,
    "compressor_ratio": 1.0,
    "frost_ratio": 1.0,
    "niche_k": 0.0,
    "starts": 1.0,
    "set_point_offset_k": 0.0,
    "thermostat_offset_k": 0.0,
    "probe_offset_k": 0.0,
    "probe_stuck": 0.0,
    "probe_open": 0.0,
    "gateway_brownout_v": 0.0,
    "cable_ohm": 1.0,
    "joint_ohm_added": 0.0,
    "switched_off": 0.0,
    "cutout_v_added": 0.0,
}
"""What `effects_of` takes, and what holds for a unit without faults."""

DRAUGHT_SHARE = 0.2
"""Share of a good seal's loss that is air passing; all of what a worn one loses more. [1] Judgement."""

FAN_DEAD_SHARE = 0.3
"""What is left between air and a finned coil without its fan. [1] Judgement."""

START_SHARE = 0.7
"""Share of the nominal voltage that must be left in the dip of a start. [1] Judgement."""

DEAD_SHARE = 0.45
"""Share of its nominal voltage below which any unit's electronics go out. [1] Judgement."""


@dataclass(frozen=True)
class Effects:
    """Arrays of (n,) that hold until a fault moves."""

    limits: Limits
    runs: BoolArray
    """Neither left off all the time nor switched off by somebody."""
    can_start: BoolArray
    probe_open: BoolArray
    probe_stuck: BoolArray
    probe_off_k: FloatArray
    """What the thermostat's probe shows too much."""
    swept_m3_per_s: FloatArray
    """By the machine that cools the unit, at full speed."""
    electric_per_work: FloatArray
    """Electric power over isentropic work for each unit of gas delivered, in W for each kW."""
    evaporator_w_per_k: FloatArray
    condenser_ratio: FloatArray
    niche_k: FloatArray
    walls_w_per_k: FloatArray
    seal_w_per_k: FloatArray
    draught_w_per_k: FloatArray
    """Part of the seal's loss that is air passing."""
    plate_w_per_k: FloatArray
    frost_ratio: FloatArray
    least_start_v: FloatArray
    """At the terminals before a start, or the machine does not turn."""
    inner_fan_w: FloatArray
    outer_fan_w: FloatArray


def effects_of(sizes: Sizes, multipliers: Mapping[str, FloatArray], *, nominal_v: FloatArray) -> Effects:
    """Return what faults make of the sizes.

    Parameters
    ----------
    sizes : Sizes
        Of n units.
    multipliers : mapping of str to (n,) float64
        By the names of `DEFAULT_FAULTS`; other names are others'.
    nominal_v : (n,) float64
        Of what feeds the units. [V]

    Returns
    -------
    Effects
    """
    n = sizes.runs.size
    now = {name: multipliers.get(name, np.full(n, usual)) for name, usual in DEFAULT_FAULTS.items()}
    leader, gasket = sizes.leader, now["gasket_ratio"]
    per_work = 1000.0 * work_ratio(now["compressor_ratio"]) / sizes.machines.electric_efficiency
    fan_gone = sizes.evaporator_fan * (1.0 - now["evaporator_fan"])
    path_ohm = sizes.cable_ohm * now["cable_ohm"] + sizes.joint_ohm + now["joint_ohm_added"]
    turned_v = now["cutout_v_added"] * nominal_v / 12.0
    return Effects(
        runs=sizes.runs & (now["switched_off"] <= 0.0),
        limits=replace(
            sizes.limits,
            set_point_c=sizes.limits.set_point_c + now["set_point_offset_k"],
            cutout_v=sizes.limits.cutout_v + turned_v,
            restart_v=sizes.limits.restart_v + turned_v,
            brownout_v=np.maximum(now["gateway_brownout_v"], DEAD_SHARE * nominal_v),
        ),
        can_start=sizes.runs & (now["starts"] > 0.0),
        probe_open=now["probe_open"] > 0.0,
        probe_stuck=now["probe_stuck"] > 0.0,
        probe_off_k=now["probe_offset_k"] + now["thermostat_offset_k"],
        swept_m3_per_s=(sizes.machines.swept_m3_per_s * now["compressor_ratio"])[leader],
        electric_per_work=per_work[leader],
        evaporator_w_per_k=sizes.machines.evaporator_w_per_k * wetted_share(now["charge_ratio"])[leader],
        condenser_ratio=condenser_ratio(now, has_fan=sizes.condenser_fan),
        niche_k=now["niche_k"],
        walls_w_per_k=sizes.walls_w_per_k * now["wall_ratio"],
        seal_w_per_k=sizes.seal_w_per_k * gasket,
        draught_w_per_k=sizes.seal_w_per_k * (DRAUGHT_SHARE + np.maximum(gasket - 1.0, 0.0)),
        plate_w_per_k=sizes.plate_w_per_k * (1.0 - (1.0 - FAN_DEAD_SHARE) * fan_gone),
        frost_ratio=now["frost_ratio"],
        least_start_v=START_SHARE * nominal_v + sizes.starting_a * path_ohm,
        inner_fan_w=EVAPORATOR_FAN_W * sizes.evaporator_fan * now["evaporator_fan"],
        outer_fan_w=CONDENSER_FAN_W * sizes.condenser_fan * now["condenser_fan"],
    )
