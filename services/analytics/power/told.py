"""What the power analyses took for granted, and which voltages they did not take."""

from services.analytics.power.capacity import Capacity
from services.analytics.power.frame import Frame
from services.analytics.power.halftap import ADVICE, tapped_a
from services.analytics.power.learned import came_ms
from services.analytics.power.thermostat import Band
from services.analytics.power.threshold import Threshold
from services.domain import SensorFlag, UnitSettings
from services.timebase import iso_of


def flags_of(frame: Frame) -> tuple[SensorFlag, ...]:
    """Return where the voltage was not believed."""
    still = len(frame) - 1
    return tuple(
        SensorFlag(
            channel="battery",
            flag=doubt.flag,
            start=int(frame.t_ms[doubt.first]),
            end=None if doubt.last == still else int(frame.t_ms[doubt.last]),
            end_reason="still so at the last sample" if doubt.last == still else None,
        )
        for doubt in frame.doubts
    )


def assumed_of(
    frame: Frame, settings: UnitSettings, threshold: Threshold, capacity: Capacity | None, band: Band
) -> tuple[str, ...]:
    """Return the defaults used, in words."""
    words: list[str] = []
    volts = threshold.volts_12 * frame.volt_scale
    if settings.has_battery and threshold.origin == "default":
        words.append(f"cut-out {volts:.4g} V")
    if settings.has_battery and threshold.origin == "observed":
        words.append(f"cut-out {volts:.2f} V, learned from the unit's own cut-outs")
    turned = threshold.turned_at(int(frame.t_ms[-1])) if len(frame) else None
    if settings.has_battery and turned is not None:
        words.append(
            f"cut-out {turned.volts_12 * frame.volt_scale:.2f} V since {iso_of(turned.from_ms)}, as its stops"
            " show: somebody turned it"
        )
    if settings.has_battery and settings.units_on_bank > 1:
        words.append(f"{settings.units_on_bank} units on the bank draw alike")
    if (came := came_ms(settings)) is not None:
        words.append(f"supply told since {iso_of(came)}, when the unit came to this bank")
    if (amps := tapped_a(settings)) > 0.0:
        words.append(f"{amps:g} A from one half of the 24 V bank: {ADVICE}")
    if capacity is not None and capacity.assumed is not None and settings.has_battery:
        words.append(capacity.assumed)
    if not band.learned and len(frame):
        words.append("thermostat differential 2 K")
    return tuple(words)
