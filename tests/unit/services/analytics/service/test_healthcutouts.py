"""Stops for want of supply by day, on days of a made-up machine whose feed was taken away."""

import math

import numpy as np
import pytest

from services.analytics.service.health import health_days
from services.telemetry import Series
from tests.helpers.cabinet_days import DAY_MS, FIRST_MS, HOUR_MS, Machine, played, settings

BEGIN_MS = FIRST_MS + DAY_MS
CUT = [(BEGIN_MS + h * HOUR_MS, BEGIN_MS + (h + 2) * HOUR_MS) for h in (3, 9, 30)]
"""Two cut-outs on the first day, one on the second, none on the third."""


def fed(stopped, *, volts=10.5, drop=()):
    """Return four days on which the voltage falls to the cut-out in the hour before each stop."""
    series = played(4, Machine(), still=lambda t: any(begin <= t < end for begin, end in stopped), drop=drop)
    if "battery_v" in drop:
        return series
    read = series.columns["battery_v"].copy()
    on = series.columns["compressor_on"] > 0.5
    for begin, _end in stopped:
        near = (series.t_ms >= begin - HOUR_MS) & (series.t_ms < begin) & on
        read[near] = volts
    return Series(series.t_ms, {**series.columns, "battery_v": read})


def stops(series, of=None, days=3):
    table = health_days(series, of or settings(), from_ms=BEGIN_MS, to_ms=BEGIN_MS + days * DAY_MS)
    return [math.nan if day.cutouts is None else day.cutouts for day in table.days]


def test_stops_are_counted_on_the_day_they_begin():
    assert stops(fed(CUT)) == [2.0, 1.0, 0.0]


def test_a_day_has_the_same_stops_alone_and_among_others():
    series = fed(CUT)
    alone = [
        health_days(series, settings(), from_ms=BEGIN_MS + n * DAY_MS, to_ms=BEGIN_MS + (n + 1) * DAY_MS)
        for n in range(3)
    ]
    assert [table.days[0].cutouts for table in alone] == stops(series)


def test_stops_at_a_sound_voltage_are_not_the_supplys():
    assert stops(fed(CUT, volts=12.4)) == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("missing", ["battery_v", "cabinet_c"])
def test_without_voltage_or_cabinet_nothing_is_told(missing):
    assert np.isnan(stops(fed(CUT, drop=(missing,)))).all()


def test_a_unit_on_mains_has_no_battery_to_be_stopped_by():
    series = fed(CUT)
    day = health_days(series, settings(supply="mains"), from_ms=BEGIN_MS, to_ms=BEGIN_MS + DAY_MS).days[0]
    assert (day.cutouts, day.why_not("cutouts")) == (None, "no_battery")
