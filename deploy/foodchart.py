"""Modelled food for the chart of a cabinet: the foods its verdict is counted on, gathered into bins."""

from collections.abc import Callable

import numpy as np

from services.analytics.assess import HISTORY_MS
from services.analytics.foodcurve import food_curve
from services.api.schemas import ChannelBins
from services.records.facade import Records
from services.store import StoreReader
from services.store.bins import gathered, grid
from services.telemetry import FloatArray
from services.timebase import DAY_MS, utc_day_start_ms

LONGEST_MS = 15 * DAY_MS
"""Over a longer span the food is not drawn: every sample of it would have to be read."""


class FoodChart:
    """Follows the foods of a cabinet over a span of its readings."""

    def __init__(self, records: Records, reader: StoreReader, clock: Callable[[], int]) -> None:
        """Take the records, the store's reading side and the clock."""
        self._records = records
        self._reader = reader
        self._clock = clock

    def __call__(self, unit: str, start_ms: int, end_ms: int, max_points: int) -> ChannelBins | None:
        """Return coldest and warmest food in the bins of a chart; None where it is not modelled.

        Within the days the service looks at, the foods begin where those of the verdict begin; before
        that a week ahead of the span, when none remembers where it began.
        """
        if end_ms - start_ms > LONGEST_MS:
            return None
        now_ms = self._clock()
        as_of_ms = min(now_ms, end_ms)
        since_ms = utc_day_start_ms(now_ms) - HISTORY_MS
        if start_ms < since_ms:
            since_ms = utc_day_start_ms(start_ms) - HISTORY_MS
        settings = self._records.fleet().settings_of(unit)
        curve = food_curve(
            self._reader.read(unit, since_ms, as_of_ms + 1),
            settings,
            as_of_ms=as_of_ms,
            since_ms=since_ms,
            checks=self._records.sensor_checks(unit),
        )
        if not curve.t_ms.size:
            return None
        over = grid(start_ms, end_ms, max_points)
        low, high = (gathered(curve.t_ms, values, over) for values in (curve.lowest_c, curve.highest_c))
        return ChannelBins(
            t_ms=tuple(over.t_ms.tolist()),
            min=_nullable(low.low),
            max=_nullable(high.high),
            mean=_nullable(high.bins(over.t_ms).mean),
            count=tuple(high.count.tolist()),
        )


def _nullable(values: FloatArray) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(value) else float(value) for value in values)
