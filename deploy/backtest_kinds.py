"""Which faults the workshop is told of, in which words, and which part the words must name."""

from services.analytics.service.signatures import SIGNATURES

COOLING = ("cooling weaker", "warms faster")
HOT = ("works harder at noon", "draws more")
SUPPLY = ("more voltage lost", "less voltage left")
LIMITS = ("compressor hardly ever stops", "cabinet never reaches", "over-temperature stops")
WEAKER, WARMER = (COOLING[0], *LIMITS), (COOLING[1], *LIMITS)
CHOKED = (*WEAKER, *HOT, SUPPLY[0])
"""Dust and a dead fan raise the current before the cooling falls: without a sensor for it that shows as
voltage lost."""
PATH = (*SUPPLY, "supply path resistance high", "repeated cut-outs")
BATTERY = (*PATH, "battery falls fast", "absorption voltage within minutes")

WANTED: dict[str, tuple[str, ...]] = {
    "refrigerant_leak": WEAKER,
    "dusty_condenser": CHOKED,
    "condenser_fan_dead": CHOKED,
    "evaporator_fan_dead": (*WEAKER, COOLING[1]),
    "frosted_evaporator": (*WEAKER, COOLING[1]),
    "worn_gasket": WARMER,
    "wet_foam": WARMER,
    "weak_compressor": WEAKER,
    "blocked_niche": (*WEAKER, *HOT),
    "weak_battery": BATTERY,
    "sulphated_bank": BATTERY,
    "corroded_joint": PATH,
    "undersized_cable": PATH,
}
"""Faults that findings for the workshop are for, with how the right ones begin."""

_PART: dict[str, str] = {
    "refrigerant_leak": "leak",
    "dusty_condenser": "dirty_condenser",
    "condenser_fan_dead": "condenser_fan",
    "evaporator_fan_dead": "evaporator_fan",
    "frosted_evaporator": "frost",
    "worn_gasket": "gasket",
    "wet_foam": "foam",
    "weak_compressor": "compressor",
    "blocked_niche": "dirty_condenser",
    "weak_battery": "battery",
    "sulphated_bank": "battery",
    "corroded_joint": "path",
    "undersized_cable": "path",
}
PART: dict[str, str] = {kind: SIGNATURES[row].words for kind, row in _PART.items()}
"""What a finding must name among what it could be."""

ELSEWHERE = frozenset(
    {
        "thermostat_offset",
        "sensor_stuck",
        "sensor_drift",
        "sensor_open",
        "sensor_noise",
        "voltage_stuck",
        "voltage_scaled",
        "half_tapped",
        "failed_charger",
        "relay_stuck_open",
        "relay_stuck_closed",
        "cutout_turned",
        "swapped_identity",
        "gateway_brownout",
        "compressor_stalled",
        "clock_reset",
    }
)
"""Real faults that other parts of the service tell of: a call-out is neither asked for nor false; listed."""


def family(finding: str) -> str:
    """Return how a finding begins, where several words mean the same."""
    return next((words for words in (*COOLING, *HOT, *SUPPLY) if finding.startswith(words)), finding)
