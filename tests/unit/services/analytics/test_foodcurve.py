import numpy as np
import pytest

from services.analytics.assess import HISTORY_MS, assess
from services.analytics.foodcurve import food_curve
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, utc_day_start_ms
from tests.helpers.larder import NOW_MS, fleet

SINCE_MS = utc_day_start_ms(NOW_MS) - HISTORY_MS


def readings(warm_h=4.0, unit="v3-meat"):
    t_ms = np.arange(SINCE_MS, NOW_MS + 1, MINUTE_MS, dtype=np.int64)
    ago_h = (NOW_MS - t_ms) / HOUR_MS
    base = 3.0 if unit == "v3-meat" else -20.0
    air_c = np.where(ago_h < warm_h, base + 9.0, base) + 0.5 * np.sin(9.0 * ago_h)
    return Series(t_ms, {"cabinet_c": air_c, "compressor_on": np.zeros(t_ms.size)})


def curve_of(series, unit="v3-meat"):
    return food_curve(series, fleet().settings_of(unit), as_of_ms=NOW_MS, since_ms=SINCE_MS)


@pytest.mark.parametrize("unit", ["v3-meat", "camp-fish"])
def test_it_is_the_food_the_verdict_is_counted_on(unit):
    series = readings(unit=unit)
    curve = curve_of(series, unit)
    judged = assess(series, fleet().settings_of(unit), as_of_ms=NOW_MS)
    peaks = {e.peak_c for e in judged.exposure if e.basis == "modelled_food" and e.rule is not None}
    assert len(peaks) == 1
    newest = curve.highest_c[curve.t_ms >= NOW_MS - 3 * DAY_MS]
    assert newest.max() == pytest.approx(peaks.pop(), abs=1e-9)


def test_every_food_lies_between_what_the_air_was_and_is():
    curve = curve_of(readings())
    assert (curve.lowest_c <= curve.highest_c).all()
    assert curve.lowest_c.min() >= 2.5 - 1e-9
    assert curve.highest_c.max() <= 12.5 + 1e-9
    assert curve.highest_c[-1] - curve.lowest_c[-1] > 2.0, "a thin slice is warm long before a full chest"


def test_without_readings_there_is_no_food():
    assert curve_of(Series.empty()).t_ms.size == 0
