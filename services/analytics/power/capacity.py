"""What a bank holds: from its label and age, from its temperature, and from what it was seen to give."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.domain import UnitSettings
from services.telemetry import FloatArray
from services.timebase import DAY_MS

UNKNOWN_AGE_SHARE = 0.7
"""Usable share of the label when the installation date is unknown."""
KNOWN_AGE_SD = 0.15
"""Batteries of one age and label differ by this (judgement, no source)."""
MEASURED_BELOW_SHARE = 0.8
FADE_PER_YEAR = 0.04
LEAST_AGED_SHARE = 0.6
LABEL_CAP = 1.08
"""Slow discharge never counts for more than this share of the 20 h capacity (judgement: physics-based
models give 1.02 to 1.05, extrapolated power laws far more)."""

SIZING_C = (
    -3.9, -1.1, 1.7, 4.4, 7.2, 10.0, 12.8, 15.6, 18.3, 21.1, 25.0, 26.7, 29.4, 32.2, 35.0, 37.8, 40.6,
    43.3, 46.1, 48.9, 51.7,
)  # fmt: skip
SIZING_FACTOR = (
    1.52, 1.43, 1.35, 1.30, 1.25, 1.19, 1.15, 1.11, 1.08, 1.04, 1.00, 0.98, 0.96, 0.94, 0.93, 0.91, 0.89,
    0.88, 0.87, 0.86, 0.85,
)  # fmt: skip
"""By how much a lead-acid battery must be larger at a temperature: IEEE Std 485, table 1 (values from
memory; that it spans -3.9 to 51.7 °C about 25 °C is from a secondary page)."""

LITHIUM_C = (-20.0, -10.0, 0.0, 10.0, 25.0)
LITHIUM_SHARE = (0.55, 0.75, 0.875, 0.95, 1.0)
"""Capacity of lithium iron phosphate (common practice, no source; the row at -20 °C is judgement)."""

FEWEST_FOR_FADE = 8
"""Fewer values make no trend (judgement)."""


@dataclass(frozen=True, slots=True)
class Capacity:
    """What a bank is believed to hold."""

    ah: float
    share_sd: float
    assumed: str | None


@dataclass(frozen=True, slots=True)
class Fade:
    """How a bank's capacity changes, by the slopes between all pairs of values."""

    share_per_year: float
    """Negative: it holds less and less."""
    low_per_year: float
    high_per_year: float
    """Nine in ten."""
    values: int


def capacity_of(settings: UnitSettings, *, as_of_ms: int) -> Capacity | None:
    """Return the usable capacity of a unit's bank; None when the file names no capacity.

    Unknown age: 0.7 of the label and wide. Known age: 4 % less a year down to 0.6 (judgement, no source).
    """
    bank = settings.bank
    label = bank.capacity_ah if bank is not None else settings.unit.supply.capacity_ah
    if label is None:
        return None
    if bank is None or bank.installed is None:
        return Capacity(
            UNKNOWN_AGE_SHARE * label,
            0.20,
            f"battery age unknown: usable capacity {UNKNOWN_AGE_SHARE:g} x label",
        )
    installed_day = (bank.installed.toordinal() - 719163) * DAY_MS
    years = max(0.0, (as_of_ms - installed_day) / (365.25 * DAY_MS))
    share = max(LEAST_AGED_SHARE, 1.0 - FADE_PER_YEAR * years)
    return Capacity(min(share, LABEL_CAP) * label, KNOWN_AGE_SD, None)


def bounded(capacity: Capacity | None, measured_ah: float | None) -> Capacity | None:
    """Return the capacity, lowered to what was measured where that is clearly less; never raised."""
    if capacity is None or measured_ah is None or measured_ah >= MEASURED_BELOW_SHARE * capacity.ah:
        return capacity
    return Capacity(
        measured_ah, 0.20, f"usable capacity {measured_ah:.0f} Ah, as counted between rest voltages"
    )


def usable_share(temperature_c: FloatArray | float, *, lithium: bool) -> FloatArray:
    """Return what a bank gives at a temperature over what it gives at 25 °C.

    Parameters
    ----------
    temperature_c : (n,) float64 or float
        Of the battery, held to the ends of the table; NaN counts as 25. [°C]
    lithium : bool
        Lithium iron phosphate; else lead-acid, as one over the sizing factor.

    Returns
    -------
    (n,) float64
        Never above `LABEL_CAP`.

    References
    ----------
    .. [1] IEEE Std 485, table 1: `SIZING_FACTOR`. Colder than 10 °C it asks for more than the linear
       0.6 % per kelvin of the IEC 60896 series (from memory): the cautious one is used.
    """
    filled = np.where(np.isfinite(temperature_c), temperature_c, 25.0)
    if lithium:
        return np.asarray(np.interp(filled, LITHIUM_C, LITHIUM_SHARE), dtype=np.float64)
    factor = np.interp(filled, SIZING_C, SIZING_FACTOR)
    return np.asarray(np.minimum(1.0 / factor, LABEL_CAP), dtype=np.float64)


def fade_of(history: Sequence[tuple[int, float]]) -> Fade | None:
    """Return how capacity changes; None with fewer than eight values or less than four weeks.

    Parameters
    ----------
    history : sequence of (int, float)
        Instant [ms] and capacity [Ah], oldest first, well apart: values of neighbouring days are nearly
        the same value twice.

    Returns
    -------
    Fade or None
        Median of the slopes between all pairs, and its range by the ranks of those slopes.

    References
    ----------
    .. [1] Sen, J. American Statistical Association 63 (1968) 1379-1389: slope and interval (from memory).
    """
    if len(history) < FEWEST_FOR_FADE:
        return None
    years = np.array([t_ms for t_ms, _ in history], dtype=np.float64) / (365.25 * DAY_MS)
    if (years[-1] - years[0]) * 365.25 < 28.0:  # noqa: PLR2004 - four weeks
        return None
    held = np.array([ah for _, ah in history], dtype=np.float64)
    i, j = np.triu_indices(held.size, 1)
    slopes = np.sort((held[j] - held[i]) / (years[j] - years[i])) / float(np.median(held))
    n = held.size
    width = 1.645 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    low = max(0, math.floor((slopes.size - width) / 2.0))
    high = min(slopes.size - 1, math.ceil((slopes.size + width) / 2.0))
    return Fade(float(np.median(slopes)), float(slopes[low]), float(slopes[high]), n)
