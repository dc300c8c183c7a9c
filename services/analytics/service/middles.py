"""What the numbers of a machine come to over its last weeks, to be set beside those of machines like it.

Worked out when a day is over, so that comparing a fleet reads a few numbers a unit and none of its days.
"""

import numpy as np

from services.analytics.power.resistance import expected_ohm
from services.analytics.service.healthusual import FEWEST_DAYS, SET_ASIDE
from services.domain import Bench, ComparedName, HealthTable, Middle, UnitSettings
from services.telemetry import FloatArray
from services.timebase import DAY_MS

DAYS, SEASON_DAYS = 30, 90
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
    """Return what the days before a moment come to, over a month with the season beside it.

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
    month, season = (
        _of_span(_as_newest(table.between(as_of_ms - span * DAY_MS, as_of_ms)), settings)
        for span in (DAYS, SEASON_DAYS)
    )
    found = [
        Middle(name, value, days, season[name][0] if season[name][1] > days else None)
        for name, (value, days) in month.items()
    ]
    share = _capacity_share(settings, bench)
    return (*found, *(() if share is None else (Middle("capacity_share", share, None, None),)))


def _as_newest(days: HealthTable) -> HealthTable:
    """Return the days that were described as the newest is."""
    last = days.days[-1].measured_on if len(days) else None
    return HealthTable(tuple(day for day in days.days if day.measured_on == last))


def _of_span(days: HealthTable, settings: UnitSettings) -> dict[ComparedName, tuple[float, int]]:
    """Return each number of some days, and how many told it."""
    plain = ~days.marked(*SET_ASIDE)
    found: dict[ComparedName, tuple[float, int]] = {}

    def told(feature: str) -> FloatArray:
        values = days.column(feature)
        chosen = values[plain & np.isfinite(values)]
        return chosen if chosen.size >= FEWEST_DAYS else chosen[:0]

    for name in _STRAIGHT:
        if (values := told(name)).size:
            found[name] = float(np.median(values)), int(values.size)
    if (ohm := told("path_ohm")).size and settings.has_battery:
        found["path_share"] = float(np.median(ohm)) / expected_ohm(settings), int(ohm.size)
    if (duty := told("duty")).size:
        found["hours_run_a_day"] = _DAY_H * float(np.median(duty)), int(duty.size)
        found["always_on_share"] = float(np.mean(days.marked("always_on")[plain])), int(duty.size)
    stops = days.column("cutouts")
    stops = stops[np.isfinite(stops)]
    if stops.size >= FEWEST_DAYS:
        found["cutouts_a_month"] = MONTH_D * float(np.mean(stops)), int(stops.size)
    return found


def _capacity_share(settings: UnitSettings, bench: Bench | None) -> float | None:
    """Return what the battery holds of its label, as last learned."""
    label = settings.unit.supply.capacity_ah if settings.bank is None else settings.bank.capacity_ah
    if bench is None or bench.capacity_ah is None or label is None:
        return None
    return bench.capacity_ah.p50 / label
