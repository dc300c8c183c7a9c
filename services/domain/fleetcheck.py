"""Says what the operator should mend in a unit's settings before relying on it."""

from collections.abc import Iterator
from dataclasses import dataclass

from services.domain._fleet import UnitSettings

HALF_DIFFERENTIAL_K = 1.5
"""How far a thermostat lets the cabinet rise above its set point (common practice, no source)."""

SENSOR_ERROR_K = 0.5
"""What an ordinary cabinet sensor may be off where its class is not given (common practice, no source)."""

LOWEST_LEAD_CUTOUT_V = 11.0
"""Below this a 12 V lead-acid battery is nearly empty under load (common practice, no source)."""

_LEAD = ("flooded", "agm", "gel")


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to tell the operator about a file that can be read."""

    refused: bool
    """True: the configuration must not be used as it stands."""
    text: str

    def __str__(self) -> str:
        """Return the text led by its weight."""
        return f"{'refused' if self.refused else 'warning'}: {self.text}"


def check(settings: UnitSettings, *, limit_c: float | None) -> list[Remark]:
    """Return what the operator should mend before relying on a unit.

    Parameters
    ----------
    settings : UnitSettings
        One unit with its defaults.
    limit_c : float or None
        The strictest upper limit of its food and rules; None when it has none. [°C]

    Returns
    -------
    list of Remark
        Refusals first. A set point nobody stated is warned of, never refused.
    """
    remarks: list[Remark] = []
    if limit_c is not None:
        given_k = settings.unit.sensor.error_k
        error_k = SENSOR_ERROR_K if given_k is None else given_k
        warmest_c = settings.set_point_c + HALF_DIFFERENTIAL_K + error_k
        if warmest_c > limit_c:
            stated = settings.unit.set_point_c is not None
            remarks.append(
                Remark(
                    refused=stated,
                    text=f"{settings.unit.id}: set point {settings.set_point_c:g} °C"
                    f"{'' if stated else ' (assumed)'} + {HALF_DIFFERENTIAL_K:g} K thermostat"
                    f" + {error_k:g} K sensor = {warmest_c:g} °C, above the limit {limit_c:g} °C;"
                    f" set it to {limit_c - HALF_DIFFERENTIAL_K - error_k:g} °C or lower",
                )
            )
    remarks.extend(
        Remark(refused=False, text=f"{settings.unit.id}: {text}") for text in _supply_warnings(settings)
    )
    return sorted(remarks, key=lambda remark: not remark.refused)


def _supply_warnings(settings: UnitSettings) -> Iterator[str]:
    if not settings.has_battery:
        return
    bank = settings.bank
    lead = bank is None or bank.chemistry in _LEAD
    lowest_v = LOWEST_LEAD_CUTOUT_V * settings.nominal_v / 12
    if settings.cutout_v is not None and lead and settings.cutout_v < lowest_v:
        yield (
            f"cut-out {settings.cutout_v:g} V is under {lowest_v:g} V:"
            f" deep discharge shortens the life of a {settings.nominal_v} V lead-acid bank"
        )
    if bank is None:
        yield "no capacity_ah and chemistry known: run-out cannot be worked out"
