"""What sensors show of the truth: noise, least digit, drift, stuck, open."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from services.telemetry import FloatArray, IntArray

RESOLUTION = {
    "cabinet_c": 0.1,
    "ambient_c": 0.1,
    "product_c": 0.1,
    "evaporator_c": 0.1,
    "battery_v": 0.01,
    "bank_v": 0.01,
    "current_a": 0.05,
}
"""What the least digit of each sensor is worth, in its unit. Judgement, no source."""

COLUMN_OF = {
    "cabinet": "cabinet_c",
    "battery": "battery_v",
    "compressor": "compressor_on",
    "ambient": "ambient_c",
    "current": "current_a",
    "bank": "bank_v",
    "lid": "lid_open",
    "product": "product_c",
}
"""Where each channel's reading is found, by its name on the wire."""

TRUTH_OF = {
    "cabinet_c": "air_c",
    "battery_v": "unit_v",
    "compressor_on": "on",
    "ambient_c": "outside_c",
    "current_a": "unit_a",
    "bank_v": "bank_v",
    "lid_open": "lid_open",
    "product_c": "food_c",
}
"""Which true quantity a sensor sits on."""

Truth = Mapping[str, npt.NDArray[Any]]
Faults = Mapping[str, FloatArray]


def shown(column: str, true: Truth, noise: Mapping[str, FloatArray], faults: Faults) -> FloatArray:
    """Return what the sensors of all units show.

    Parameters
    ----------
    column : str
        One of `TRUTH_OF`.
    true : mapping of (steps, n) arrays
        True quantities; `probe_c`, what the thermostats go by, tells what a stuck probe is stuck at.
    noise : mapping of (steps, n) float64
        Noise by column, in the column's unit.
    faults : mapping of (n,) float64
        probe_offset_k, product_offset_k [K]; probe_stuck, probe_open [0 or 1]; probe_noise_ratio,
        volts_ratio [1]; volts_stuck_at [V].
        What is absent is not at fault.

    Returns
    -------
    (steps, n) float64
        NaN where a sensor does not answer.
    """
    exact = np.asarray(true[TRUTH_OF[column]], dtype=np.float64)
    if column not in RESOLUTION:
        return exact
    noisy = exact + _noise(column, noise, faults)
    if column == "product_c" and "product_offset_k" in faults:
        noisy = noisy + faults["product_offset_k"]
    if column == "cabinet_c":
        noisy = _probe(noisy, true, faults)
    if column == "battery_v":
        noisy = _volts(noisy, faults)
    digit = RESOLUTION[column]
    readings: FloatArray = np.round(np.round(noisy / digit) * digit, 3)
    return readings


def _noise(column: str, noise: Mapping[str, FloatArray], faults: Faults) -> FloatArray | float:
    if column not in noise:
        return 0.0
    if column == "cabinet_c" and "probe_noise_ratio" in faults:
        return noise[column] * faults["probe_noise_ratio"]
    return noise[column]


def _probe(noisy_c: FloatArray, true: Truth, faults: Faults) -> FloatArray:
    """Return what the cabinet's probe shows: drifted, stuck at what the thermostat goes by, or open."""
    shown_c = noisy_c + faults["probe_offset_k"] if "probe_offset_k" in faults else noisy_c
    if "probe_stuck" in faults and "probe_c" in true:
        stuck_c = true["probe_c"] - faults.get("thermostat_offset_k", np.zeros(noisy_c.shape[1]))
        shown_c = np.where(faults["probe_stuck"] > 0.0, stuck_c, shown_c)
    if "probe_open" in faults:
        shown_c = np.where(faults["probe_open"] > 0.0, np.nan, shown_c)
    return shown_c


def _volts(noisy_v: FloatArray, faults: Faults) -> FloatArray:
    """Return what the voltage reading shows: of another scale, or standing still."""
    shown_v = noisy_v * faults["volts_ratio"] if "volts_ratio" in faults else noisy_v
    stuck_v = faults.get("volts_stuck_at")
    return shown_v if stuck_v is None else np.where(stuck_v > 0.0, stuck_v, shown_v)


def cabinet_read_by(faults: Faults, units: int) -> IntArray:
    """Return whose cabinet each board reads: its own, or after an exchange of boards the other one's."""
    if "reports_as" not in faults:
        return np.arange(units)
    reads = faults["reports_as"].astype(np.int64)
    for board in np.flatnonzero(reads != np.arange(units)):
        if reads[reads[board]] == reads[board]:  # an exchange concerns both
            reads[reads[board]] = board
    return reads
