"""Minutes above a limit and ampere-hours of days or weeks, for the long charts of a cabinet."""

from collections.abc import Sequence

import numpy as np

from deploy.hourrule import CURRENT, MARKS_C, MICRO, TEMPERATURES, mark_for
from services.api.schemas import Counted, CountedCharge, CountedTime
from services.store import StoreReader
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS


class DayCounts:
    """Adds up what the store has counted by the hour."""

    def __init__(self, reader: StoreReader) -> None:
        """Take the store's reading side, opened with the rule that counts."""
        self._reader = reader

    def __call__(self, unit: str, edges_ms: Sequence[int], limit_c: float) -> Counted | None:
        """Return what stretches of time between edges on the hour held; None where nothing is counted."""
        edges = np.array(edges_ms, dtype=np.int64)
        place = mark_for(limit_c)
        cabinet, product = (self._time(unit, column, edges, place) for column in TEMPERATURES)
        if cabinet is None:
            return None
        return Counted(
            mark_c=MARKS_C[place],
            cabinet=cabinet,
            product=product if product is not None and any(product.told_min) else None,
            charge=self._charge(unit, edges),
        )

    def _time(self, unit: str, column: str, edges: IntArray, place: int) -> CountedTime | None:
        rows = self._reader.counted(unit, column, edges)
        if rows is None:
            return None
        above_ms, told_ms = rows[place], rows[len(MARKS_C) + place]
        return CountedTime(
            above_min=tuple((above_ms / MINUTE_MS).tolist()), told_min=tuple((told_ms / MINUTE_MS).tolist())
        )

    def _charge(self, unit: str, edges: IntArray) -> CountedCharge | None:
        rows = self._reader.counted(unit, CURRENT, edges)
        if rows is None or not rows[2].any():
            return None
        drawn_ah, given_ah, told_ms = rows[0] / MICRO, rows[1] / MICRO, rows[2]
        return CountedCharge(
            drawn_ah=_measured(drawn_ah, told_ms),
            given_ah=_measured(given_ah, told_ms),
            told_min=tuple((told_ms / MINUTE_MS).tolist()),
        )


def _measured(values: FloatArray, told_ms: IntArray) -> tuple[float | None, ...]:
    """Return values, None where nothing was measured: no charge is made up."""
    return tuple(
        value if told else None for value, told in zip(values.tolist(), told_ms.tolist(), strict=True)
    )
