"""How often a machine that wanted to run was stopped for want of supply on each day."""

import numpy as np

from services.analytics.power.assess import reported_cutout_v
from services.analytics.power.cutouts import ABOVE_CUTOUT_V, DEAD_V, Kind, events_of, threshold_of
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.stored import wanted
from services.analytics.power.thermostat import band_of
from services.analytics.service.healthgrid import AFTER_MS, BEFORE_MS, Days
from services.analytics.service.healthheat import Seen
from services.domain import UnitSettings
from services.telemetry import FloatArray, Series
from services.timebase import DAY_MS

WARM_H = 1.0
"""A day on which the cabinet stood warm for less is not looked at for that: lids do as much (judgement)."""
OF_SUPPLY: frozenset[Kind] = frozenset({"low_voltage", "interrupted", "silence"})


def cutouts_of(clean: Series, seen: Seen, stood_warm_h: FloatArray, settings: UnitSettings) -> FloatArray:
    """Return the stops of each day for want of supply; NaN where no voltage or no cabinet was read.

    Only days that may hold one are looked at closely, each with the day before it and the hours after: days
    on which the cabinet stood warm, fell silent, or gave way to near the cut-out. A cut-out somebody turned
    far up, after which the cabinet stayed cold, is not seen here.

    Parameters
    ----------
    clean : Series
        The samples the days are counted from, from the day before the first to hours after the last.
    seen : Seen
        The same, counted through.
    stood_warm_h : (d,) float64
        Hours the cabinet stood warm on each day. [h]
    settings : UnitSettings
        Names the cut-out where the owner knows it.
    """
    frame, days, place = seen.frame, seen.days, seen.place
    if not settings.has_battery:
        return np.full(days.count, np.nan)
    both = np.isfinite(frame.volts_12) & np.isfinite(frame.cabinet_c)
    heard = days.total(place, both.astype(np.float64)) > 0
    given = settings.default_cutout_v if settings.cutout_v is None else settings.cutout_v
    low = frame.on & (frame.volts_12 <= given / frame.volt_scale + ABOVE_CUTOUT_V)
    doubtful = low | (frame.volts_12 < DEAD_V) | np.append(frame.broken, values=False)
    close = (days.total(place, doubtful.astype(np.float64)) > 0) | (stood_warm_h >= WARM_H)
    found = np.where(heard, 0.0, np.nan)
    for number in np.flatnonzero(heard & close).tolist():
        found[number] = _of_day(clean, days, number, settings)
    return found


def _of_day(clean: Series, days: Days, number: int, settings: UnitSettings) -> float:
    day_ms = int(days.day_ms[number])
    series = clean.between(day_ms - BEFORE_MS, day_ms + DAY_MS + AFTER_MS)
    frame = frame_of(series, settings, None)
    runs = runs_of(frame)
    band = band_of(frame, runs)
    threshold = threshold_of(frame, runs, band, settings, reported_cutout_v(series, frame))
    events = events_of(
        frame, runs, band, threshold, as_of_ms=day_ms + DAY_MS + AFTER_MS, has_battery=settings.has_battery
    )
    return float(
        sum(
            event.kind in OF_SUPPLY and day_ms <= event.start_ms < day_ms + DAY_MS
            for event in wanted(events, settings)
        )
    )
