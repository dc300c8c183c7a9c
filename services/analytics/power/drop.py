"""What the voltage falls by under load between a rested battery and the unit: cable, joints, the battery."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import CURVES, battery_ohm, curve_of, rest_v, soc_at_rest
from services.analytics.power.path import sound_ohm
from services.analytics.power.resistance import Steps
from services.domain import UnitSettings
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS

WORN_SHARE, WORN_SHARE_SD = 1.25, 0.6
"""What a battery in use has over a sound one of its label: it holds about four fifths of that, and what is
lost of it goes with the plates that would carry current (judgement)."""
LEAST_SHARE = 0.5
CABLE_SD_OHM = 0.03
"""How far cable and joints may be off a sound set's: worn sockets and lugs have 50 to 200 mΩ (common
practice, no source). [Ω at 12 V]"""
STEP_SD_OHM = 0.015
"""Scatter of a single step, as if it stood alone (judgement). [Ω at 12 V]"""
NEAR_MS = 12 * HOUR_MS
"""Newer steps count more: near empty the battery's own part doubles within a day, and joints come loose."""
LOOKED_MS = 8 * DAY_MS
OLDEST_WEIGHT = 0.05
"""What the oldest step still counts: it was taken fuller, which tells the cable's part apart (judgement)."""
OUTLIER_SDS, SD_PER_MAD, LEAST_SD_OHM = 4.0, 1.4826, 0.01
"""A step further off its neighbours is another load's, not the machine's (judgement)."""


@dataclass(frozen=True, slots=True)
class Drop:
    """Resistance between a rested battery and the unit."""

    cable_ohm: float
    """Cable and joints. [Ω]"""
    battery_share: float
    """The battery's own resistance over that of a sound one of the label's capacity."""

    def battery_ohm(self, soc: FloatArray, settings: UnitSettings) -> FloatArray:
        """Return the battery's own part at states of charge [Ω]."""
        return self.battery_share * _sound_battery_ohm(soc, settings)


def loaded_v(
    soc: FloatArray, settings: UnitSettings, drop: Drop, *, unit_a: FloatArray | float
) -> FloatArray:
    """Return the voltage at the unit while it draws a current, beside the bank's other loads.

    Parameters
    ----------
    soc : (...) float64
        States of charge.
    settings : UnitSettings
        Chemistry, other loads.
    drop : Drop
        Cable, joints and battery.
    unit_a : (...) float64 or float
        The unit's current. [A]

    Returns
    -------
    (...) float64
        [V at 12 V nominal]
    """
    bank = settings.bank
    inner = drop.battery_ohm(soc, settings)
    other_a = (bank.other_load_a if bank is not None else 0.0) + settings.running_a * (
        settings.units_on_bank - 1
    ) / 2
    fallen = unit_a * (drop.cable_ohm + inner) + other_a * inner
    return np.asarray(rest_v(soc, curve_of(settings)[0]) - fallen / (settings.nominal_v / 12.0), np.float64)


def drop_of(steps: Steps, settings: UnitSettings) -> Drop:
    """Return cable and battery apart, from how the step at a stop grows as the battery empties.

    Parameters
    ----------
    steps : Steps
        Of all usable stops, in order of time.
    settings : UnitSettings
        Cable and bank: what a sound set has, from which only steps lead away.

    Returns
    -------
    Drop
        Least squares of ``R = cable + share * battery(soc)``, both held to what is usual as by one more
        reading each. Full, the two cannot be told apart; near empty the battery's part stands out.
    """
    sound, scale = sound_ohm(settings), (settings.nominal_v / 12.0) ** 2
    if steps.t_ms.size == 0:
        return Drop(sound, WORN_SHARE)
    age_ms = steps.t_ms[-1] - steps.t_ms
    looked = age_ms <= LOOKED_MS
    battery = _sound_battery_ohm(soc_at_rest(steps.volts_off_12[looked], curve_of(settings)[0]), settings)
    off = steps.ohm[looked] - sound - WORN_SHARE * battery
    apart = np.abs(off - _neighbours(off))
    near = apart <= OUTLIER_SDS * max(SD_PER_MAD * float(np.median(apart)), LEAST_SD_OHM * scale)
    recent = np.maximum(np.exp(-age_ms[looked] / NEAR_MS), OLDEST_WEIGHT)
    weight = near * recent / (STEP_SD_OHM * scale) ** 2
    cable = Prior(sound, CABLE_SD_OHM * scale, 0.0)
    return _fitted(off, battery, weight, cable, Prior(WORN_SHARE, WORN_SHARE_SD, LEAST_SHARE))


def _neighbours(values: FloatArray) -> FloatArray:
    """Return the median of each value and the two on either side of it."""
    padded = np.pad(values, 2, mode="reflect" if values.size > 2 else "edge")  # noqa: PLR2004 - two to reflect
    return np.asarray(
        np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1), dtype=np.float64
    )


@dataclass(frozen=True, slots=True)
class Prior:
    """What is usual, how far it may be off, and the least it can be."""

    usual: float
    sd: float
    least: float


def _fitted(off: FloatArray, battery: FloatArray, weight: FloatArray, cable: Prior, share: Prior) -> Drop:
    """Solve the two normal equations; a value below its least is held there, the other fitted anew."""
    a = float(np.sum(weight)) + 1.0 / cable.sd**2
    b = float(np.sum(weight * battery**2)) + 1.0 / share.sd**2
    c = float(np.sum(weight * battery))
    u, v = float(np.sum(weight * off)), float(np.sum(weight * off * battery))
    more_ohm, more_share = (b * u - c * v) / (a * b - c * c), (a * v - c * u) / (a * b - c * c)
    if cable.usual + more_ohm < cable.least:
        more_ohm = cable.least - cable.usual
        more_share = (v - c * more_ohm) / b
    if share.usual + more_share < share.least:
        more_share = share.least - share.usual
        more_ohm = (u - c * more_share) / a
    return Drop(max(cable.least, cable.usual + more_ohm), share.usual + more_share)


def _sound_battery_ohm(soc: FloatArray, settings: UnitSettings) -> FloatArray:
    """Return the resistance of a sound battery of the label's capacity at states of charge [Ω]."""
    lithium = curve_of(settings)[0] is CURVES["lifepo4"]
    capacity_ah = 100.0 if settings.bank is None else settings.bank.capacity_ah
    at_12 = battery_ohm(soc, capacity_ah=capacity_ah, lithium=lithium)
    return np.asarray(at_12 * settings.nominal_v / 12.0, dtype=np.float64)
