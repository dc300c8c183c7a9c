"""What cable and joints add beyond a sound path just before a stop, apart from the battery's own sag."""

from dataclasses import dataclass, replace

import numpy as np

from services.analytics.power.curves import CURVES, RestCurve, battery_ohm, soc_at_rest
from services.analytics.power.resistance import CABLE_AT_C, JOINTS_OHM, Steps, cable_ohm
from services.domain import Evidence, UnitSettings
from services.timebase import HOUR_MS

NEAR_MS = 12 * HOUR_MS
"""A joint can fail within hours: newer steps count first."""
FAR_MS = 72 * HOUR_MS
FEWEST = 3
MOST_CHARGED = 5
"""The battery's own part is smallest, and best known, in the steps with the highest rest voltage."""
KNOWN_SHARE = 0.6
"""With a battery's part above this share of `WORN_OHM` older steps, taken fuller, tell more (judgement)."""
WORN_OHM = 0.045
"""Fuse, plug and joints of a good set have 5 to 30 mΩ, a worn socket or corroded lug 50 to 200 (common
practice, no source). [Ω at 12 V; four times as much at 24 V]"""
BATTERY_SHARE = 1.6
"""How far the battery's own part may be off: a worn one has 2.5 times a sound one's (judgement)."""

UNKNOWN_BATTERY_SHARE = 4.0
"""The same where every step was taken at low charge, where a worn battery's runs away (judgement)."""


@dataclass(frozen=True, slots=True)
class Path:
    """Cable and joints as measured shortly before a stop."""

    ohm: float
    """Battery included."""
    expected_ohm: float
    """Of sound cable and joints and a sound battery at that charge."""
    battery_ohm: float
    """The battery's part of it."""
    steps: int
    wires_ohm: float | None = None
    """Cable and joints alone, where the voltage is measured at both ends."""

    @property
    def excess_ohm(self) -> float:
        """What is there beyond the expected."""
        if self.wires_ohm is None:
            return self.ohm - self.expected_ohm
        return self.wires_ohm - (self.expected_ohm - self.battery_ohm)

    def with_capacity(self, held_ah: float | None, label_ah: float) -> "Path":
        """Return the path as expected with a battery below its label: resistance goes as 1/Ah."""
        if held_ah is None or self.wires_ohm is not None or not 0.0 < held_ah < label_ah:
            return self
        battery = self.battery_ohm * label_ah / held_ah
        return replace(self, battery_ohm=battery, expected_ohm=self.expected_ohm + battery - self.battery_ohm)

    def worn(self, volt_scale: float) -> bool:
        """Return whether it is too much for a sound path and for what is not known of the battery."""
        if self.wires_ohm is not None:
            return self.excess_ohm > WORN_OHM * volt_scale**2
        known = self.battery_ohm <= KNOWN_SHARE * WORN_OHM * volt_scale**2
        share = BATTERY_SHARE if known else UNKNOWN_BATTERY_SHARE
        return self.excess_ohm > max(WORN_OHM * volt_scale**2, share * self.battery_ohm)


def sound_ohm(settings: UnitSettings) -> float:
    """Return what cable and joints of this unit have when sound, without the battery [Ω]."""
    cable = cable_ohm(
        length_m=settings.cable_length_m, section_mm2=settings.cable_mm2, temperature_c=CABLE_AT_C
    )
    return cable + JOINTS_OHM


def bank_ohm(volts_12: float, settings: UnitSettings, curve: RestCurve) -> float:
    """Return what a sound battery of the label's capacity has at a rest voltage [Ω]."""
    capacity_ah = 100.0 if settings.bank is None else settings.bank.capacity_ah
    at_12 = battery_ohm(
        soc_at_rest(volts_12, curve), capacity_ah=capacity_ah, lithium=curve is CURVES["lifepo4"]
    )
    return float(at_12) * settings.nominal_v / 12.0


def path_before(steps: Steps, settings: UnitSettings, curve: RestCurve, *, at_ms: int) -> Path | None:
    """Return the supply path shortly before an instant, from its most charged steps.

    Parameters
    ----------
    steps : Steps
        Of all usable stops, in order of time.
    settings : UnitSettings
        Cable and bank.
    curve : RestCurve
        Of the bank's chemistry.
    at_ms : int
        The stop's own step counts too. [ms]

    Returns
    -------
    Path or None
        None with fewer than three steps in three days.
    """
    found: Path | None = None
    last = int(np.searchsorted(steps.t_ms, at_ms + 1, side="right"))
    for reach_ms in (NEAR_MS, FAR_MS):
        first = int(np.searchsorted(steps.t_ms, at_ms - reach_ms))
        if last - first < FEWEST:
            continue
        ohm, volts = steps.ohm[first:last], steps.volts_off_12[first:last]
        best = np.argsort(volts, kind="stable")[-MOST_CHARGED:]
        battery = bank_ohm(float(np.median(volts[best])), settings, curve)
        found = Path(
            float(np.median(ohm[best])),
            sound_ohm(settings) + battery,
            battery,
            int(best.size),
            steps.wires_between(first, last),
        )
        if battery <= KNOWN_SHARE * WORN_OHM * (settings.nominal_v / 12.0) ** 2:
            break
    return found


def path_row(path: Path, volt_scale: float) -> Evidence:
    """Return the row that shows a path against a sound one."""
    if path.wires_ohm is not None:
        return Evidence(
            quantity="resistance between the battery's terminals and the unit, measured at both ends",
            value=round(path.wires_ohm, 4),
            operator=">",
            threshold=round(path.expected_ohm - path.battery_ohm + WORN_OHM * volt_scale**2, 4),
            unit="Ω",
            source="cable by IEC 60228 table 3 at 40 °C, good joints, a worn set more (common practice)",
        )
    return Evidence(
        quantity="resistance between battery and unit",
        value=round(path.ohm, 4),
        operator=">",
        threshold=round(path.expected_ohm, 4),
        unit="Ω",
        source="cable by IEC 60228 table 3 at 40 °C, joints of a good set, a sound battery (common practice)",
    )
