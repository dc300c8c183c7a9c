"""What the numbers of a machine come to over its last weeks, to be set beside those of machines like it.

Worked out when a day is over, so that comparing a fleet reads a few numbers a unit and none of its days.
"""

from collections.abc import Iterable, Sequence
from statistics import median

import numpy as np

from services.analytics.power.resistance import expected_ohm
from services.analytics.service.healthusual import FEWEST_DAYS, SET_ASIDE
from services.domain import Bench, ComparedName, HealthTable, Middle, UnitSettings
from services.timebase import DAY_MS

SPANS = (30, 90)
"""Days that are looked at (judgement): a month, so that neither one trip nor one season decides, and a
season, which tells whether it was always so."""
MONTH_D = 30.0
_DAY_H = 24.0
_STRAIGHT: tuple[ComparedName, ...] = (
    "night_slope_per_k",
    "capacity_ratio_k",
    "warm_up_per_h",
    "starts_per_h",
)


def middles_of(
    table: HealthTable, settings: UnitSettings, bench: Bench | None, *, as_of_ms: int
) -> tuple[Middle, ...]:
    """Return what the days before a moment come to, over each of `SPANS`.

    Parameters
    ----------
    table : HealthTable
        Days of the unit before now.
    settings : UnitSettings
        Its cable and the label of its battery.
    bench : Bench or None
        What was last worked out of its battery.
    as_of_ms : int
        Now. [ms]

    Returns
    -------
    tuple of Middle
        Of days described as the newest is. Middles are of plain ones; cut-outs of all, since a day with
        one is seldom plain. Nothing with fewer than `FEWEST_DAYS`.
    """
    found: list[Middle] = []
    for span in SPANS:
        days = table.between(as_of_ms - span * DAY_MS, as_of_ms)
        if len(days):
            same = HealthTable(
                tuple(day for day in days.days if day.measured_on == days.days[-1].measured_on)
            )
            found += _of_span(span, same, settings)
        share = _capacity_share(settings, bench)
        if share is not None:
            found.append(Middle("capacity_share", span, share, None))
    return tuple(found)


def _of_span(span: int, days: HealthTable, settings: UnitSettings) -> Iterable[Middle]:
    plain = ~days.marked(*SET_ASIDE)

    def told(feature: str) -> Sequence[float]:
        values = days.column(feature)
        chosen: list[float] = values[plain & np.isfinite(values)].tolist()
        return chosen if len(chosen) >= FEWEST_DAYS else ()

    for name in _STRAIGHT:
        if values := told(name):
            yield Middle(name, span, median(values), len(values))
    if (ohm := told("path_ohm")) and settings.has_battery:
        yield Middle("path_share", span, median(ohm) / expected_ohm(settings), len(ohm))
    if duty := told("duty"):
        yield Middle("hours_run_a_day", span, _DAY_H * median(duty), len(duty))
        on = float(np.mean(days.marked("always_on")[plain]))
        yield Middle("always_on_share", span, on, len(duty))
    stops = days.column("cutouts")
    stops = stops[np.isfinite(stops)]
    if stops.size >= FEWEST_DAYS:
        yield Middle("cutouts_a_month", span, MONTH_D * float(np.mean(stops)), int(stops.size))


def _capacity_share(settings: UnitSettings, bench: Bench | None) -> float | None:
    """Return what the battery holds of its label, as last learned."""
    label = settings.unit.supply.capacity_ah if settings.bank is None else settings.bank.capacity_ah
    if bench is None or bench.capacity_ah is None or label is None:
        return None
    return bench.capacity_ah.p50 / label
