"""The course of modelled food over time, as the verdict clock follows it."""

from collections.abc import Sequence

import numpy as np

from services.analytics.food.track import Curve
from services.analytics.view import View, clocks
from services.domain import SensorCheck, UnitSettings
from services.telemetry import Series
from services.timebase import utc_day_start_ms


def food_curve(
    series: Series,
    settings: UnitSettings,
    *,
    as_of_ms: int,
    since_ms: int,
    checks: Sequence[SensorCheck] = (),
) -> Curve:
    """Return warmest and coldest of the foods a cabinet may hold, at its samples.

    Parameters
    ----------
    series : Series
        Samples in order of time.
    settings : UnitSettings
        The unit with every default applied.
    as_of_ms, since_ms : int
        "Now", and where the foods begin, at the temperature of the air then. With the `since_ms` of
        `assess` these are the very foods the verdict is counted on. [ms since 1970-01-01 UTC]
    checks : sequence of SensorCheck
        Checks of the sensor in melting ice.

    Returns
    -------
    Curve
        Empty where a probe stands for the food, or nothing usable was measured. [°C]
    """
    view = View.of(
        series.between(since_ms, as_of_ms + 1),
        settings,
        offline=False,
        max_gap_s=None,
        heard_from_ms=None,
        expected=(),
        checks=checks,
        as_of_ms=as_of_ms,
        day_ms=utc_day_start_ms(as_of_ms),
    )
    for clock in clocks(view, settings, since_ms=since_ms):
        if clock.basis == "modelled_food":
            return clock.track.whole_curve
    return Curve(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
