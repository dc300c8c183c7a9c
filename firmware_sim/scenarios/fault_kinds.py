"""What can go wrong, as data: which parameters of the physics or the firmware a fault moves, and how far."""

from dataclasses import dataclass
from typing import Literal

FaultKind = Literal[
    "refrigerant_leak",
    "dusty_condenser",
    "condenser_fan_dead",
    "evaporator_fan_dead",
    "frosted_evaporator",
    "worn_gasket",
    "lid_ajar",
    "wet_foam",
    "weak_compressor",
    "compressor_stalled",
    "blocked_niche",
    "thermostat_offset",
    "wrong_set_point",
    "overload",
    "sensor_stuck",
    "sensor_drift",
    "sensor_open",
    "sensor_noise",
    "weak_battery",
    "sulphated_bank",
    "failed_charger",
    "relay_stuck_open",
    "relay_stuck_closed",
    "corroded_joint",
    "undersized_cable",
    "clock_reset",
    "radio_outage",
    "flash_corruption",
    "duplicated_delivery",
    "reordered_delivery",
    "swapped_identity",
    "gateway_brownout",
    "unplugged",
    "switched_off",
    "cutout_turned",
    "voltage_stuck",
    "voltage_scaled",
    "isolator_off",
    "half_tapped",
]

Law = Literal["linear", "slow_then_fast", "fast_then_slow"]
"""How a fault grows from nothing to its full extent; without a time to grow it is there at once."""

ChargeSource = Literal["engine", "mains", "generator", "solar"]

CHARGER_PARAMETER: dict[ChargeSource, str] = {
    "engine": "drive_a",
    "mains": "mains_a",
    "generator": "generator_a",
    "solar": "panel_w",
}
"""What a failed charger takes away, by its source."""

Joining = Literal["times", "plus", "index"]
"""How several faults on one parameter join: multiplied, added, or the last one given holds."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter a fault moves."""

    name: str
    full: float
    """Its value when the fault is fully grown."""
    joining: Joining = "times"

    @property
    def neutral(self) -> float:
        """Its value without any fault."""
        return 1.0 if self.joining == "times" else 0.0


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault; every extent is judgement, no source, and a scenario may give another."""

    on: Literal["unit", "bank"]
    parameters: tuple[Parameter, ...]
    grows_h: float = 0.0
    law: Law = "linear"
    words: str = ""
    """What it is, for people who read the truth file."""


def _unit(words: str, *parameters: Parameter, grows_d: float = 0.0, law: Law = "linear") -> Kind:
    return Kind("unit", parameters, 24.0 * grows_d, law, words)


def _bank(words: str, *parameters: Parameter, grows_d: float = 0.0, law: Law = "linear") -> Kind:
    return Kind("bank", parameters, 24.0 * grows_d, law, words)


def _plus(name: str, full: float) -> Parameter:
    return Parameter(name, full, "plus")


KINDS: dict[FaultKind, Kind] = {
    "refrigerant_leak": _unit("refrigerant escapes slowly", Parameter("charge_ratio", 0.45), grows_d=45),
    "dusty_condenser": _unit(
        "dust on the condenser", Parameter("condenser_ratio", 0.35), grows_d=45, law="slow_then_fast"
    ),
    "condenser_fan_dead": _unit("the condenser's fan stands still", Parameter("condenser_fan", 0.0)),
    "evaporator_fan_dead": _unit("the evaporator's fan stands still", Parameter("evaporator_fan", 0.0)),
    "frosted_evaporator": _unit("frost grows fast on the evaporator", Parameter("frost_ratio", 20.0)),
    "worn_gasket": _unit("the gasket leaks", Parameter("gasket_ratio", 4.0), grows_d=20),
    "lid_ajar": _unit("the lid stands ajar", _plus("lid_added_w_per_k", 1.8)),
    "wet_foam": _unit("the foam has taken up water", Parameter("wall_ratio", 1.7), grows_d=90),
    "weak_compressor": _unit("the compressor's valves leak", Parameter("compressor_ratio", 0.6), grows_d=45),
    "compressor_stalled": _unit("the compressor does not turn", Parameter("starts", 0.0)),
    "blocked_niche": _unit("the niche around the condenser is blocked", _plus("niche_k", 12.0)),
    "thermostat_offset": _unit("the thermostat's sensor reads wrong", _plus("thermostat_offset_k", -3.0)),
    "wrong_set_point": _unit("somebody turned the set point", _plus("set_point_offset_k", 5.0)),
    "overload": _unit("warm food was put in, too much at once"),
    "sensor_stuck": _unit("the cabinet's sensor stands still", _plus("probe_stuck", 1.0)),
    "sensor_drift": _unit("the cabinet's sensor drifts", _plus("probe_offset_k", 2.0), grows_d=30),
    "sensor_open": _unit("the cabinet's sensor is torn off", _plus("probe_open", 1.0)),
    "sensor_noise": _unit("the cabinet's sensor has a bad contact", Parameter("probe_noise_ratio", 8.0)),
    "weak_battery": _bank(
        "the battery is worn out", Parameter("capacity", 0.35), Parameter("resistance", 2.5), grows_d=30
    ),
    "sulphated_bank": _bank(
        "the plates are sulphated: it takes charge slowly",
        Parameter("acceptance", 0.3),
        Parameter("capacity", 0.6),
        Parameter("resistance", 1.8),
        grows_d=40,
    ),
    "failed_charger": _bank("a charger gives nothing"),
    "relay_stuck_open": _bank("the split-charge relay does not close", _plus("relay_stuck_open", 1.0)),
    "relay_stuck_closed": _bank("the split-charge relay does not open", _plus("relay_stuck_closed", 1.0)),
    "corroded_joint": _unit("a plug or lug is corroded", _plus("joint_ohm_added", 0.2), grows_d=15),
    "undersized_cable": _unit("a thinner cable was put in", Parameter("cable_ohm", 2.7)),
    "clock_reset": _unit("the unit's clock fell back", _plus("clock_resets", 1.0)),
    "radio_outage": _unit("no network reaches the unit", _plus("radio_out", 1.0)),
    "flash_corruption": _unit("a page of the unit's memory is lost", _plus("flash_corruptions", 1.0)),
    "duplicated_delivery": _unit("messages arrive twice", _plus("duplicate_share", 0.3)),
    "reordered_delivery": _unit("packs arrive in another order", _plus("reorder_share", 0.5)),
    "swapped_identity": _unit("two units' boards were exchanged", Parameter("reports_as", 0.0, "index")),
    "gateway_brownout": _unit("the gateway stops at low voltage", _plus("gateway_brownout_v", 10.5)),
    "unplugged": _unit("its plug is out", _plus("unplugged", 1.0)),
    "switched_off": _unit("somebody switched it off, its electronics stay on", _plus("switched_off", 1.0)),
    "cutout_turned": _unit("somebody turned the cut-out", _plus("cutout_v_added", 1.0)),
    "voltage_stuck": _unit("the voltage reading stands still", _plus("volts_stuck_at", 12.6)),
    "voltage_scaled": _unit("the voltage reading has the wrong scale", Parameter("volts_ratio", 0.5)),
    "isolator_off": _bank("the battery isolator is open", _plus("isolator_open", 1.0)),
    "half_tapped": _bank("12 V are taken from one half of the bank", _plus("half_tap_a", 1.5)),
}
"""Everything a scenario can ask for. `thermostat_offset` reads 3 K low by default: it warms the cabinet.
`cutout_v_added` is in V at 12 V, `volts_stuck_at` in V as shown. A bank of 12 V has no halves: there a tap is
one more load."""

INSTANT_KINDS: frozenset[FaultKind] = frozenset({"overload", "clock_reset", "flash_corruption"})
"""These happen at a moment; they have no duration."""
