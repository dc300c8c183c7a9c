import numpy as np
import pytest

from services.analytics.food.lags import Memory, follow, lags_ms
from services.analytics.view import FIT_MS, View, clocks, sides
from services.telemetry import Series
from services.timebase import DAY_MS
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, every_minute, unit

FRIDGE = unit(classes=("red_meat",), interval_s=60)


def looked_at(series, settings=FRIDGE, *, day_ms=None):
    as_of_ms = int(series.t_ms[-1]) if len(series) else MIDNIGHT_MS
    return View.of(
        series,
        settings,
        offline=False,
        max_gap_s=None,
        heard_from_ms=None,
        expected=(),
        checks=(),
        as_of_ms=as_of_ms,
        day_ms=MIDNIGHT_MS if day_ms is None else day_ms,
    )


def probed(days, *, lag_min=95.0, kind="fridge", position="air"):
    minutes = days * 1440
    rng = np.random.default_rng(8)
    air = every_minute(3.0 + 3.0 * np.sin(np.arange(minutes) * 2 * np.pi / 720) + rng.normal(0, 0.1, minutes))
    food, _ = follow(
        air.t_ms,
        air.numbers("cabinet_c"),
        lags=np.array([lag_min * MINUTE_MS]),
        memory=Memory.at(np.array([3.0])),
    )
    series = Series(air.t_ms, air.columns | {"product_c": np.round(food[0], 2)})
    return series, unit(kind, classes=("red_meat",), interval_s=60, position=position)


def test_a_probe_teaches_from_whole_days_before_the_one_looked_at():
    series, fridge = probed(4)
    taught = looked_at(series, fridge, day_ms=MIDNIGHT_MS + 3 * DAY_MS).fitted
    assert taught is not None
    assert taught.low_min <= 95.0 <= taught.high_min
    assert taught.hours <= FIT_MS / 3_600_000
    assert looked_at(series, fridge, day_ms=MIDNIGHT_MS).fitted is None


@pytest.mark.parametrize(("kind", "position"), [("freezer", "air"), ("fridge", "product")])
def test_a_probe_in_the_warmest_spot_or_among_ice_teaches_no_lag(kind, position):
    series, settings = probed(4, kind=kind, position=position)
    assert looked_at(series, settings, day_ms=MIDNIGHT_MS + 3 * DAY_MS).fitted is None


def test_what_the_probe_taught_narrows_the_union():
    series, fridge = probed(4)
    view = looked_at(series, fridge, day_ms=MIDNIGHT_MS + 3 * DAY_MS)
    modelled = next(c for c in clocks(view, fridge, since_ms=MIDNIGHT_MS) if c.basis == "modelled_food")
    assert modelled.track.lags[-1] < lags_ms(None)[-1]
    plain = looked_at(Series(series.t_ms, {"cabinet_c": series.numbers("cabinet_c")}), fridge)
    (modelled,) = clocks(plain, fridge, since_ms=MIDNIGHT_MS)
    assert np.array_equal(modelled.track.lags, lags_ms(None))


def test_only_a_freezers_food_melts_and_freezes():
    series = every_minute(np.full(60, -18.0))
    freezer = unit("freezer", classes=("frozen_other",), interval_s=60)
    (frozen,) = clocks(looked_at(series, freezer), freezer, since_ms=MIDNIGHT_MS)
    (chilled,) = clocks(looked_at(series), FRIDGE, since_ms=MIDNIGHT_MS)
    assert frozen.track.frozen is not None
    assert chilled.track.frozen is None


def test_without_checks_in_ice_all_limits_see_the_same_readings():
    medicine = unit(classes=("medicine",), interval_s=60)
    view = looked_at(every_minute(np.full(60, 5.0)), medicine)
    ((limits, cabinet, _),) = sides(view)
    assert limits is view.limits
    assert cabinet is view.cabinet
