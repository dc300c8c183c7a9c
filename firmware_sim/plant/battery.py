"""Battery banks: two-well charge, open-circuit voltage, internal resistance, temperature.

Discharge current is positive throughout; state of charge runs from 0 to 1.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from services.telemetry import FloatArray

Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]

SOC_GRID: FloatArray = np.linspace(0.0, 1.0, 11)
"""States of charge at which `OPEN_CIRCUIT_V` is given."""

_AGM_V = (11.55, 11.70, 11.85, 11.97, 12.10, 12.25, 12.37, 12.50, 12.62, 12.73, 12.85)

_GEL_V = (11.58, 11.75, 11.92, 12.07, 12.21, 12.35, 12.47, 12.59, 12.70, 12.78, 12.85)

OPEN_CIRCUIT_V: dict[Chemistry, tuple[float, ...]] = {
    "flooded": (11.36, 11.51, 11.66, 11.81, 11.96, 12.10, 12.24, 12.37, 12.50, 12.62, 12.73),
    "agm": _AGM_V,
    "gel": _GEL_V,
    "lifepo4": (12.00, 12.48, 12.80, 12.92, 13.00, 13.04, 13.08, 13.16, 13.28, 13.40, 13.60),
}
"""Rest voltage of a 12 V battery at `SOC_GRID`. [V] Flooded rows are 6 x (specific gravity + 0.845) V
(widely reproduced deep-cycle table, from memory), absorbed mat 0.10-0.19 V above it (from memory),
gel drawn through 12.85, 12.65, 12.35 and 12.00 V at quarters from full (widely reproduced, from memory),
lithium iron phosphate four times a published list per cell; the rows at 0 are straight continuations."""

HYSTERESIS_V: dict[Chemistry, float] = {"flooded": 0.0, "agm": 0.0, "gel": 0.0, "lifepo4": 0.04}
"""How far the rest voltage of a 12 V battery lies above `OPEN_CIRCUIT_V` after charge and below it after
discharge. [V] Four cells at 10 mV: half of the 20 mV that Dreyer and others, Nature Materials 9 (2010)
448-453, find at vanishing current (from memory); lead has none worth the name."""

HYSTERESIS_SHARE = 0.05
"""Charge moved one way that takes the rest voltage half of the way to that side. [1] Judgement."""

ABSORPTION_V: dict[Chemistry, float] = {"flooded": 14.5, "agm": 14.4, "gel": 14.2, "lifepo4": 14.2}
"""Charging voltage at 25 °C of a 12 V battery. [V] Common practice, no source."""

FLOAT_V: dict[Chemistry, float] = {"flooded": 13.3, "agm": 13.6, "gel": 13.6, "lifepo4": 13.5}
"""Voltage a charger holds a full 12 V battery at. [V] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Wells:
    """Parameters of the kinetic battery model."""

    available_share: float
    """Share c of the charge in the available well."""
    rate_per_h: float
    """k' = k/(c(1-c)). [1/h]"""
    capacity_ratio: float
    """Charge of both wells over the 20-hour capacity."""


LEAD_ACID = Wells(available_share=0.703, rate_per_h=1.011, capacity_ratio=1.02)
"""Fitted to the capacities of an open lead-acid cell model between C/100 and 1C (worst error 1.0 %)."""

LITHIUM = Wells(available_share=0.95, rate_per_h=6.0, capacity_ratio=1.0)
"""Nearly one well; judgement, no source."""


def wells_of(chemistry: Chemistry) -> Wells:
    """Return the two-well parameters of a chemistry."""
    return LITHIUM if chemistry == "lifepo4" else LEAD_ACID


def kibam_after(
    q1_ah: FloatArray,
    q2_ah: FloatArray,
    current_a: FloatArray,
    *,
    hours: FloatArray | float,
    share: FloatArray | float,
    rate_per_h: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """Return both wells after a step at constant current.

    Parameters
    ----------
    q1_ah, q2_ah : (n,) float64
        Available and bound charge. [Ah]
    current_a : (n,) float64
        Discharge positive. [A]
    hours : float or (n,)
        Length of the step. [h]
    share, rate_per_h : float or (n,)
        Parameters c and k' of the model. [1], [1/h]

    Returns
    -------
    tuple of (n,) float64
        The wells after the step; the first is negative where it ran empty on the way. [Ah]

    References
    ----------
    .. [1] Manwell and McGowan, Solar Energy 50 (1993) 399-405: the closed form over one step.
    """
    kt = rate_per_h * hours
    decay = np.exp(-kt)
    q0_ah = q1_ah + q2_ah
    fill = (1.0 - decay) / rate_per_h
    drift = (kt - 1.0 + decay) / rate_per_h
    after_1 = q1_ah * decay + (q0_ah * rate_per_h * share - current_a) * fill - current_a * share * drift
    after_2 = q2_ah * decay + q0_ah * (1.0 - share) * (1.0 - decay) - current_a * (1.0 - share) * drift
    return after_1, after_2


def kibam_limit_a(
    q1_ah: FloatArray,
    q2_ah: FloatArray,
    *,
    hours: FloatArray | float,
    share: FloatArray | float,
    rate_per_h: FloatArray | float,
) -> FloatArray:
    """Return the largest constant discharge current that just empties the available well in a step.

    Parameters and reference as for `kibam_after`. [A]
    """
    kt = rate_per_h * hours
    decay = np.exp(-kt)
    top = rate_per_h * q1_ah * decay + (q1_ah + q2_ah) * rate_per_h * share * (1.0 - decay)
    limit: FloatArray = top / (1.0 - decay + share * (kt - 1.0 + decay))
    return limit


@dataclass(frozen=True, slots=True)
class WellStep:
    """The closed form of `kibam_after` with its constants worked out once for a length of step."""

    hours: float
    keep: FloatArray
    """What stays of the available well."""
    gain: FloatArray
    """What it gets of all charge."""
    cost: FloatArray
    """What it loses for each ampere. [h]"""

    @classmethod
    def of(cls, *, hours: float, share: FloatArray, rate_per_h: FloatArray) -> "WellStep":
        """Work out the constants."""
        kt = rate_per_h * hours
        decay = np.exp(-kt)
        return cls(
            hours=hours,
            keep=decay,
            gain=share * (1.0 - decay),
            cost=(1.0 - decay + share * (kt - 1.0 + decay)) / rate_per_h,
        )

    def idle_ah(self, q1_ah: FloatArray, both_ah: FloatArray) -> FloatArray:
        """Return the available well after a step without current."""
        idle: FloatArray = q1_ah * self.keep + both_ah * self.gain
        return idle

    def after(
        self, q1_ah: FloatArray, q2_ah: FloatArray, current_a: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return both wells after a step; what one loses without current the other has gained."""
        both_ah = q1_ah + q2_ah
        after_1 = self.idle_ah(q1_ah, both_ah) - current_a * self.cost
        return after_1, both_ah - current_a * self.hours - after_1


def kibam_capacity_ah(*, full_ah: float, share: float, rate_per_h: float, hours: float) -> float:
    """Return the charge [Ah] a full battery gives when emptied in so many hours."""
    kt = rate_per_h * hours
    decay = float(np.exp(-kt))
    return full_ah * rate_per_h * share * hours / (1.0 - decay + share * (kt - 1.0 + decay))


def kibam_lifetime_h(
    *, full_ah: float, share: float, rate_per_h: float, load: tuple[tuple[float, float], ...]
) -> float:
    """Return when the available well first runs empty under a load repeated for ever.

    Parameters
    ----------
    full_ah, share, rate_per_h : float
        Parameters of the model. [Ah], [1], [1/h]
    load : tuple of (hours, current)
        One period. [h], [A]

    Returns
    -------
    float
        Lifetime; the crossing inside a step is found by halving. [h]
    """
    q1, q2 = np.array([share * full_ah]), np.array([(1.0 - share) * full_ah])
    gone_h = 0.0

    def after(hours: float, current_a: float) -> tuple[FloatArray, FloatArray]:
        return kibam_after(q1, q2, np.array([current_a]), hours=hours, share=share, rate_per_h=rate_per_h)

    while True:
        for hours, current_a in load:
            if after(hours, current_a)[0][0] > 0.0:
                q1, q2 = after(hours, current_a)
                gone_h += hours
                continue
            low, high = 0.0, hours
            for _ in range(60):
                middle = (low + high) / 2
                low, high = (middle, high) if after(middle, current_a)[0][0] > 0.0 else (low, middle)
            return gone_h + high


def resistance_ohm(fresh_ohm: FloatArray, soc: FloatArray, *, exponent: FloatArray | float) -> FloatArray:
    """Return the internal resistance of a bank at a state of charge.

    Parameters
    ----------
    fresh_ohm : (n,) float64
        At full charge. [ohm]
    soc : (n,) float64
        State of charge. [1]
    exponent : float or (n,)
        1.05 reproduces, within 8 %, 5.8, 8.1, 15.6 and 73 milliohm at 96, 69, 39 and 9 % of an open
        lead-acid cell model scaled to 100 Ah; 0.3 for lithium iron phosphate (judgement). [1]

    Returns
    -------
    (n,) float64
        [ohm]
    """
    rising: FloatArray = fresh_ohm * np.maximum(soc, 0.03) ** -exponent
    return rising


RESISTANCE_EXPONENT: dict[Chemistry, float] = {"flooded": 1.05, "agm": 1.05, "gel": 1.05, "lifepo4": 0.3}
"""See `resistance_ohm`."""

RESISTANCE_PER_K: dict[Chemistry, float] = {"flooded": 0.023, "agm": 0.023, "gel": 0.023, "lifepo4": 0.028}
"""Exponential fall of the resistance with temperature. [1/K] Gives 1.8 and 2.0 times as much at 0 °C as at
25 °C: common practice says 1.5 to 2, no source."""

COULOMBIC_EFFICIENCY: dict[Chemistry, float] = {"flooded": 0.85, "agm": 0.9, "gel": 0.9, "lifepo4": 0.99}
"""Charge that stays over charge that was put in (teaching texts on batteries). [1]"""

SELF_DISCHARGE_PER_MONTH: dict[Chemistry, float] = {
    "flooded": 0.06,
    "agm": 0.02,
    "gel": 0.02,
    "lifepo4": 0.02,
}
"""Share lost in a month at 25 °C: lead-antimony 5-10 %, lead-calcium and absorbed mat 1-3 %, lithium iron
phosphate 1-3 % with its board (from memory)."""

TAPER_H: dict[Chemistry, float] = {"flooded": 1.0, "agm": 1.0, "gel": 1.2, "lifepo4": 0.3}
"""Missing charge over the current a bank takes at absorption voltage. [h] One hour is the ampere-hour law
(Vinal, Storage Batteries, from memory); lithium iron phosphate and gel by judgement."""

LEAD_CAPACITY_PER_K = 0.006
"""Change of capacity at slow rates against 25 °C. [1/K] IEC 60896 series, from memory."""

_LITHIUM_CAPACITY = ((-20.0, -10.0, 0.0, 10.0, 25.0, 45.0), (0.55, 0.75, 0.875, 0.95, 1.0, 1.0))
"""Temperature and capacity share of lithium iron phosphate. [°C], [1] Common practice, no source."""


def capacity_share(temperature_c: FloatArray, *, lithium: npt.NDArray[np.bool_] | bool) -> FloatArray:
    """Return what a bank gives at a temperature over what it gives at 25 °C, at slow rates.

    Lead follows a straight line, held between -20 and 50 °C; lithium iron phosphate a table.
    """
    lead = 1.0 + LEAD_CAPACITY_PER_K * (np.clip(temperature_c, -20.0, 50.0) - 25.0)
    return np.where(lithium, np.interp(temperature_c, *_LITHIUM_CAPACITY), lead)


def resistance_share(temperature_c: FloatArray, *, per_k: FloatArray | float) -> FloatArray:
    """Return the resistance at a temperature over that at 25 °C, held between -20 and 50 °C."""
    share: FloatArray = np.exp(per_k * (25.0 - np.clip(temperature_c, -20.0, 50.0)))
    return share


def acceptance_share(temperature_c: FloatArray, *, lithium: npt.NDArray[np.bool_] | bool) -> FloatArray:
    """Return how willingly a bank takes charge against 25 °C.

    Lead halves every 20 K colder and gains at most half (judgement); lithium iron phosphate must not be
    charged below 0 °C (common practice) and its board sees to that.
    """
    lead = np.minimum(2.0 ** ((temperature_c - 25.0) / 20.0), 1.5)
    return np.where(lithium, np.where(temperature_c < 0.0, 0.0, 1.0), lead)


def peukert_h(current_a: float, *, capacity_ah: float, rated_h: float, exponent: float) -> float:
    """Return how long a full battery lasts by Peukert's rule, referred to its rated discharge.

    Parameters
    ----------
    current_a : float
        Steady. [A]
    capacity_ah : float
        At the rated discharge. [Ah]
    rated_h : float
        Length of the rated discharge. [h]
    exponent : float
        [1]

    Returns
    -------
    float
        [h]

    Raises
    ------
    ValueError
        Below the rated current: there the rule promises up to 40 % too much.
    """
    if current_a * rated_h < capacity_ah * (1.0 - 1e-9):
        raise ValueError("Peukert's rule does not hold below the rated current")
    hours: float = rated_h * (capacity_ah / (current_a * rated_h)) ** exponent
    return hours


def peukert_from_one_ampere_h(current_a: float, *, capacity_at_1_a_ah: float, exponent: float) -> float:
    """Return the same from the capacity at 1 A, which is not what a label says."""
    hours: float = capacity_at_1_a_ah / current_a**exponent
    return hours
