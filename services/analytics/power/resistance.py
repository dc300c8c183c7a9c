"""The resistance between the battery and the unit, from the voltage step when the compressor stops."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import LITHIUM_OHM, curve_of
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray

CONDUCTOR_OHM_PER_KM = {
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
    35.0: 0.554,
}
"""Largest resistance at 20 °C of plain copper, class 5 flexible, by section in mm²: IEC 60228:2004,
table 3 (read in three independent reproductions)."""

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper at 20 °C, IEC 60028 (from memory). [1/K]"""

JOINTS_OHM = 0.020
"""Fuse, plug and joints of a good set: 5 to 30 mΩ, common practice, no source."""

CABLE_AT_C = 40.0
"""Temperature at which the expected resistance is taken (judgement, no source)."""

STEADY_V_PER_S = 0.002
"""A voltage moving faster before or after the stop means another current changed too."""

LARGEST_OHM = 2.0
"""A larger step is no resistance but an interrupted supply (judgement, no source)."""

FEWEST_STEPS = 3
NEWEST_STEPS = 200


@dataclass(frozen=True)
class Steps:
    """One row per usable compressor stop."""

    t_ms: IntArray
    ohm: FloatArray
    """Battery, cable and joints."""
    volts_off_12: FloatArray
    wires_ohm: FloatArray | None = None
    """Cable and joints alone, NaN where not told; None where nothing measures at the bank's terminals."""

    def wires_between(self, first: int, last: int) -> float | None:
        """Return the median of cable and joints over some rows, None with fewer than three."""
        if self.wires_ohm is None:
            return None
        known = self.wires_ohm[first:last]
        known = known[np.isfinite(known)]
        return float(np.median(known)) if known.size >= FEWEST_STEPS else None


@dataclass(frozen=True, slots=True)
class SourceResistance:
    """The supply path's resistance, battery included."""

    ohm: float | None
    sd_ohm: float | None
    steps: int
    quantised: bool
    """The reading's own step is so coarse that averaging does not sharpen it."""
    reason: str | None
    wires_ohm: float | None = None
    """Of it cable and joints, where the voltage is measured at both ends."""


def cable_ohm(*, length_m: float, section_mm2: float, temperature_c: float) -> float:
    """Return the resistance of a copper cable, there and back.

    Parameters
    ----------
    length_m : float
        One way. [m]
    section_mm2 : float
        Conductor section; between the rows of the table resistance goes as 1 / section. [mm²]
    temperature_c : float
        Of the conductor. [°C]

    Returns
    -------
    float
        [Ω]

    References
    ----------
    .. [1] IEC 60228:2004, table 3, class 5, plain copper: the rows of `CONDUCTOR_OHM_PER_KM`.
    """
    row = min(CONDUCTOR_OHM_PER_KM, key=lambda mm2: abs(mm2 - section_mm2))
    per_km = CONDUCTOR_OHM_PER_KM[row] * row / section_mm2
    return 2.0 * length_m * per_km / 1000.0 * (1.0 + COPPER_PER_K * (temperature_c - 20.0))


def expected_ohm(settings: UnitSettings) -> float:
    """Return what a sound supply path of this unit measures: cable, joints and battery [Ω]."""
    capacity = settings.bank.capacity_ah if settings.bank is not None else 100.0
    battery = LITHIUM_OHM * 100.0 / capacity * settings.nominal_v / 12.0
    cable = cable_ohm(
        length_m=settings.cable_length_m, section_mm2=settings.cable_mm2, temperature_c=CABLE_AT_C
    )
    return cable + JOINTS_OHM + battery


def resistance_sd_ohm(
    *, ohm: float, step_a: float, reading_step_v: float, noise_v: float, steps: int, current_share: float
) -> float:
    """Return the standard error of a resistance averaged over voltage steps.

    Parameters
    ----------
    ohm : float
        The resistance found. [Ω]
    step_a : float
        Current that stopped. [A]
    reading_step_v : float
        Smallest step of the voltage reading. [V]
    noise_v : float
        Standard deviation of one reading. [V]
    steps : int
        How many were averaged; quantisation only averages out when the noise is not much smaller.
    current_share : float
        Relative uncertainty of the current.

    Returns
    -------
    float
        ``s² = [2 (q²/12 + s_n²) / n] / dI² + (R s_I/I)²``; when ``q > 2 s_n`` the quantisation term
        is not divided by n. [Ω]
    """
    coarse = reading_step_v > 2.0 * noise_v
    quantisation = reading_step_v**2 / 12.0 / (1 if coarse else steps)
    variance = 2.0 * (quantisation + noise_v**2 / steps) / step_a**2
    return math.sqrt(variance + (ohm * current_share) ** 2)


def stop_steps(frame: Frame, runs: Runs, settings: UnitSettings) -> Steps:
    """Return the resistance seen at each usable compressor stop.

    ``R = (V_off - V_on) / (I_on - I_off)`` from the last sample on and the first sample off; that of the
    wires alone from the same step of what bank and unit read apart. A stop is
    left out while something charges, where the voltage moved before or after it, and where the current
    is neither measured nor constant.
    """
    stops = np.flatnonzero(runs.on[:-1] & runs.joined[:-1]) if runs.on.size else np.empty(0, np.int64)
    on_at = runs.last[stops]
    off_at = on_at + 1
    if on_at.size == 0:
        return Steps(np.empty(0, np.int64), np.empty(0), np.empty(0))
    step_a = frame.current_a[on_at] - frame.current_a[off_at]
    if not settings.unit.compressor.variable_speed:
        step_a = np.where(np.isfinite(step_a), step_a, settings.running_a)
    v_on, v_off = frame.volts_12[on_at], frame.volts_12[off_at]
    curve, _ = curve_of(settings)
    with np.errstate(divide="ignore", invalid="ignore"):
        ohm = (v_off - v_on) * frame.volt_scale / step_a
    keep = (
        np.isfinite(ohm)
        & (step_a > 0.5)  # noqa: PLR2004 - below half an ampere the step drowns (judgement)
        & (np.maximum(v_on, v_off) <= curve.charging_above_v)
        & (v_off > 0.5 * v_on)
        & (np.abs(ohm) < LARGEST_OHM)
        & _steady(frame, on_at - 1, on_at)
        & _steady(frame, off_at, off_at + 1)
    )
    wires = None
    if bool(np.any(np.isfinite(frame.bank_12))):
        # what both ends read differently at rest is the meters' own, and falls out
        apart_v = (frame.bank_12 - frame.volts_12) * frame.volt_scale
        wires = ((apart_v[on_at] - apart_v[off_at]) / np.where(keep, step_a, np.nan))[keep]
    return Steps(frame.t_ms[off_at[keep]], ohm[keep], v_off[keep], wires)


def _steady(frame: Frame, left: IntArray, right: IntArray) -> BoolArray:
    """Return where the voltage hardly moved between two neighbouring samples of one state."""
    inside = (left >= 0) & (right < len(frame))
    a, b = np.clip(left, 0, None), np.clip(right, None, len(frame) - 1)
    seconds = np.maximum(frame.t_ms[b] - frame.t_ms[a], 1) / 1000.0
    moved = np.abs(frame.volts_12[b] - frame.volts_12[a]) / seconds
    comparable = inside & (frame.on[a] == frame.on[b]) & np.isfinite(moved)
    return np.asarray(~(comparable & (moved > STEADY_V_PER_S)), dtype=np.bool_)


def reading_step_v(volts: FloatArray) -> float:
    """Return the smallest step between distinct readings, never under a millivolt [V]."""
    levels = np.unique(np.round(volts[np.isfinite(volts)][-2000:], 3))
    return float(max(np.min(np.diff(levels)), 0.001)) if levels.size > 1 else 0.001


@dataclass(frozen=True, slots=True)
class Reading:
    """How finely a unit's steps of voltage and current are read."""

    step_a: float
    """Current that stops. [A]"""
    step_v: float
    """Smallest step of the voltage. [V]"""
    current_share: float

    @staticmethod
    def of(frame: Frame, settings: UnitSettings) -> "Reading":
        """Return how finely a unit reads."""
        measured = bool(np.any(np.isfinite(frame.current_a[-NEWEST_STEPS:])))
        return Reading(
            step_a=float(np.nanmedian(frame.current_a[frame.on])) if measured else settings.running_a,
            step_v=reading_step_v(frame.volts_12) * frame.volt_scale,
            current_share=0.02 if measured else 0.10,
        )

    def _scatter_v(self, ohm: FloatArray) -> float:
        middle = float(np.median(ohm))
        return 1.4826 * float(np.median(np.abs(ohm - middle))) * self.step_a / math.sqrt(2.0)

    def coarse(self, ohm: FloatArray) -> bool:
        """Return whether the voltage's own step is so coarse that averaging stops does not sharpen it."""
        return self.step_v > 2.0 * self._scatter_v(ohm)

    def sd_ohm(self, ohm: FloatArray, steps: int) -> float:
        """Return the standard error of the middle of so many stops that scatter as these do [Ω]."""
        return resistance_sd_ohm(
            ohm=float(np.median(ohm)),
            step_a=max(self.step_a, 0.5),
            reading_step_v=self.step_v,
            noise_v=self._scatter_v(ohm),
            steps=steps,
            current_share=self.current_share,
        )


def source_resistance(frame: Frame, steps: Steps, settings: UnitSettings) -> SourceResistance:
    """Return the supply path's resistance: the median over the newest usable stops.

    Stops with a bank above half charge are preferred, since a flat battery adds resistance of its own.
    """
    if settings.unit.compressor.variable_speed and not bool(np.any(np.isfinite(frame.current_a))):
        return SourceResistance(
            None, None, 0, quantised=False, reason="variable speed and no current measured"
        )
    curve, _ = curve_of(settings)
    charged = steps.volts_off_12 >= curve.volts[5]
    chosen = charged if int(np.sum(charged)) >= FEWEST_STEPS else np.ones_like(charged)
    ohm = steps.ohm[chosen][-NEWEST_STEPS:]
    if ohm.size < FEWEST_STEPS:
        return SourceResistance(
            None,
            None,
            int(ohm.size),
            quantised=False,
            reason=f"{ohm.size} usable compressor stops, {FEWEST_STEPS} needed",
        )
    reading = Reading.of(frame, settings)
    return SourceResistance(
        float(np.median(ohm)),
        reading.sd_ohm(ohm, int(ohm.size)),
        int(ohm.size),
        quantised=reading.coarse(ohm),
        reason=None,
        wires_ohm=steps.wires_between(max(0, steps.ohm.size - NEWEST_STEPS), steps.ohm.size),
    )
