"""What a store counts of each hour: minutes above the temperatures of the rules, and charge drawn."""

from collections.abc import Mapping

import numpy as np

from services.analytics.food.limit import FREEZER_MARKS_C
from services.analytics.food.rulebook.catalog import RULES
from services.analytics.hourly import above_each, charge_each
from services.analytics.quality import SERVICE_INTERVAL_S, gap_limit_ms, merged
from services.domain import Fleet
from services.records.facade import Records
from services.store.counting import REACH_MS
from services.telemetry import IntArray, Series

MARKS_C = tuple(
    sorted({limit for rules in RULES.values() for limit in rules.limits_c.values()} | set(FREEZER_MARKS_C))
)
"""Every cold limit of every published rule set, and the marks freezers are told by. [°C]

Limits of a unit are dated and may change; these do not, so that what was counted stays right.
"""
TEMPERATURES = ("cabinet_c", "product_c")
CURRENT = "current_a"
MICRO = 1_000_000


class HourRule:
    """The rule of the food clocks for time, straight lines for charge; see `services.analytics.hourly`."""

    version = "1: " + " ".join(f"{mark:.3f}" for mark in MARKS_C)
    rows: Mapping[str, int] = {**dict.fromkeys(TEMPERATURES, 2 * len(MARKS_C)), CURRENT: 3}
    """Of a temperature: ms above each mark, then ms of which it is known, per mark. Of the current: charge
    drawn, charge given back [millionths of an Ah], ms of which it is known."""

    def __init__(self, records: Records) -> None:
        """Take the records, which know how often a unit sends."""
        self._records = records

    def reach_ms(self, unit: str) -> float:
        """Return how far apart two readings of a unit may be for a line between them, in ms."""
        return min(gap_limit_ms(_interval_s(self._records.fleet(), unit)), float(REACH_MS))

    def count(self, column: str, series: Series, *, reach_ms: float, edges_ms: IntArray) -> IntArray:
        """Return the rows of a column for stretches of time."""
        series, _ = merged(series)
        values = series.numbers(column)
        known = np.isfinite(values)
        t_ms, values = series.t_ms[known], values[known]
        if column == CURRENT:
            drawn_ah, given_ah, told_ms = charge_each(t_ms, values, gap_ms=reach_ms, edges_ms=edges_ms)
            rows = [drawn_ah * MICRO, given_ah * MICRO, told_ms]
        else:
            each = [
                above_each(t_ms, values, limit_c=mark, gap_ms=reach_ms, edges_ms=edges_ms) for mark in MARKS_C
            ]
            rows = [above_ms for above_ms, _ in each] + [told_ms for _, told_ms in each]
        # a line crosses a mark halfway between two milliseconds often: such a half always goes up, in
        # whatever pieces the hours are worked out
        return np.floor(np.array(rows) + 0.501).astype(np.int64)


def mark_for(limit_c: float) -> int:
    """Return the place of the mark a limit is counted by: the same, or the next colder, which counts more."""
    return max((place for place, mark in enumerate(MARKS_C) if mark <= limit_c + 1e-6), default=0)


def _interval_s(fleet: Fleet, unit: str) -> float:
    found = next((each for each in fleet.units if each.id == unit), None)
    if found is None or found.interval_s is None:
        return SERVICE_INTERVAL_S
    return float(found.interval_s)
