"""Measured weather of a year, hour by hour, played again in any year."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from services.errors import ConfigurationError
from services.telemetry import FloatArray

HOURS_A_YEAR = 8760

_COLUMNS = ("month", "day", "hour_end", "t_air_c", "rh_pct", "ghi_wh_m2")


@dataclass(frozen=True)
class HourlyYear:
    """A year of hours of 365 days; hour 0 is the first of 1 January, local standard time."""

    air_c: FloatArray
    """(8760,) at the end of each hour. [°C]"""
    humidity: FloatArray
    """(8760,) relative, at the end of each hour. [1]"""
    sun_w_per_m2: FloatArray
    """(8760,) mean of each hour on level ground. [W/m²]"""

    def played(self, hour_of_year: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return air [°C], relative humidity [1] and sun [W/m²], joined by straight lines.

        Hours run on into the next year.
        """
        ends = np.arange(-1, HOURS_A_YEAR + 2)
        at = hour_of_year % HOURS_A_YEAR
        air, humidity, sun = (
            np.take(values, ends, mode="wrap") for values in (self.air_c, self.humidity, self.sun_w_per_m2)
        )
        return (
            np.interp(at, ends + 1.0, air),
            np.interp(at, ends + 1.0, humidity),
            np.interp(at, ends + 0.5, sun),
        )


def read_hourly(path: Path, *, setting: str) -> HourlyYear:
    """Return a year from a file with the columns month, day, hour_end, t_air_c, rh_pct and ghi_wh_m2.

    Raises
    ------
    ConfigurationError
        If there is no such file or it is not such a year, naming `setting`.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigurationError(
            f"no weather can be read from {path.name}: {error}", setting=setting
        ) from error
    if len(rows) != HOURS_A_YEAR:
        raise ConfigurationError(f"{path.name} has {len(rows)} hours, not {HOURS_A_YEAR}", setting=setting)
    try:
        numbers = {name: np.array([float(row[name]) for row in rows]) for name in _COLUMNS}
    except (KeyError, ValueError, TypeError) as error:
        raise ConfigurationError(
            f"{path.name} needs the columns {', '.join(_COLUMNS)} as numbers: {error}", setting=setting
        ) from error
    return HourlyYear(numbers["t_air_c"], numbers["rh_pct"] / 100.0, numbers["ghi_wh_m2"])
