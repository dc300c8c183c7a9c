"""How much warmer than usual the air was, day by day, as all cabinets together show it."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from services.domain import HealthTable
from services.telemetry import FloatArray, IntArray

FEWEST_UNITS = 4
"""With fewer cabinets a day, one that fails would pass for the weather (judgement)."""
USUAL_C = 27.0
"""Air around a cabinet in a warm country, where nothing measures it (judgement). [°C]"""
_FEWEST_DAYS = 7
_ROUNDS = 6


@dataclass(frozen=True)
class Weather:
    """Kelvin above the usual for days, in order."""

    day_ms: IntArray
    warmer_k: FloatArray

    def over(self, day_ms: IntArray) -> FloatArray:
        """Return the value for some days, NaN where it is not known."""
        found = np.full(day_ms.shape, np.nan)
        if self.day_ms.size:
            place = np.minimum(np.searchsorted(self.day_ms, day_ms), self.day_ms.size - 1)
            same = self.day_ms[place] == day_ms
            found[same] = self.warmer_k[place[same]]
        return found


UNKNOWN = Weather(np.empty(0, dtype=np.int64), np.empty(0))


def gap_k(table: HealthTable) -> float:
    """Return how far below the usual air a cabinet is kept, as far as it is known [K]."""
    measured = table.column("gap_k")
    if np.isfinite(measured).any():
        return float(np.nanmedian(measured))
    aims = table.column("set_point_c")
    return USUAL_C - (float(np.nanmedian(aims)) if np.isfinite(aims).any() else 3.0)


def warmth_of(tables: Mapping[str, HealthTable]) -> Weather:
    """Return how much warmer than usual each day was, from all cabinets of a region.

    A cabinet that warms a tenth faster than it usually does while its machine stands has a tenth more
    between it and the air: so much warmer is it outside, or its lid leaks. Lids do not begin to leak all over
    a fleet on one day: the middle over the cabinets is the weather.

    Parameters
    ----------
    tables : mapping of unit to HealthTable
        Their days; of one region, under one weather.

    Returns
    -------
    Weather
        Days with at least four cabinets.
    """
    days = np.unique(np.concatenate([table.day_ms for table in tables.values()] or [UNKNOWN.day_ms]))
    rows = [row for table in tables.values() for row in _warmer(table, days)]
    if len(rows) < FEWEST_UNITS:
        return UNKNOWN
    grid = np.stack(rows)
    told = np.isfinite(grid).sum(axis=0) >= FEWEST_UNITS
    grid, days = grid[:, told], days[told]
    grid = grid[np.isfinite(grid).any(axis=1)]
    if days.size == 0:
        return UNKNOWN
    daily = np.zeros(days.size)
    for _ in range(_ROUNDS):  # median polish: every cabinet's own level out, then the day's
        own = np.nanmedian(grid - daily, axis=1, keepdims=True)
        daily = np.nanmedian(grid - own, axis=0)
    return Weather(days, daily - float(np.median(daily)))


def _warmer(table: HealthTable, days: IntArray) -> list[FloatArray]:
    """Return a cabinet's account of the air over all days, a row for each way it was set up."""
    rate, ambient = table.column("off_k_per_h"), table.column("ambient_c")
    measured = np.array([day.ambient_from == "measured" for day in table.days], dtype=np.bool_)
    words = np.array([day.measured_on for day in table.days])
    rows = []
    for word in np.unique(words):
        here = (words == word) & ~table.marked("part_seen", "lid", "warm_load")
        by_rate, by_sensor = here & (rate > 0.0), here & measured & np.isfinite(ambient)
        if int(by_sensor.sum()) >= _FEWEST_DAYS:
            shown, used = ambient - float(np.median(ambient[by_sensor])), by_sensor
        elif int(by_rate.sum()) >= _FEWEST_DAYS:
            shown, used = gap_k(table) * (rate / float(np.median(rate[by_rate])) - 1.0), by_rate
        else:
            continue
        row = np.full(days.shape, np.nan)
        row[np.searchsorted(days, table.day_ms[used])] = shown[used]
        rows.append(row)
    return rows
