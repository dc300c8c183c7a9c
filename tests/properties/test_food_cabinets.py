"""A healthy cabinet is not condemned, a neglected one is not missed."""

import numpy as np
import pytest

from services.analytics.assess import assess, worst_between
from services.domain import Verdict
from tests.helpers.logs import MINUTE_MS, every_minute, unit

DAYS = 14
PERIODS_MIN = (15, 23, 30, 45, 60)


def cycling(period_min, *, days=DAYS, mean_c=3.0, swing_k=1.5, shape="sine"):
    phase = (np.arange(days * 1440) % period_min) / period_min
    wave = np.sin(2 * np.pi * phase) if shape == "sine" else 4 * np.abs(phase - 0.5) - 1
    return every_minute(mean_c + swing_k * wave)


@pytest.mark.parametrize("shape", ["sine", "triangle"])
@pytest.mark.parametrize("period_min", PERIODS_MIN)
def test_a_cabinet_cycling_around_3_degrees_is_ok_against_5(period_min, shape):
    series = cycling(period_min, shape=shape)
    fridge = unit(classes=("red_meat",), interval_s=60)
    verdict, _, why = worst_between(
        series,
        fridge,
        from_ms=int(series.t_ms[-1]) - 7 * 1440 * MINUTE_MS,
        to_ms=int(series.t_ms[-1]),
    )
    assert verdict is Verdict.OK, why
    analysis = assess(series, fridge, as_of_ms=int(series.t_ms[-1]))
    assert analysis.verdict is Verdict.OK
    assert analysis.sensors == ()


@pytest.mark.parametrize("shape", ["sine", "triangle"])
@pytest.mark.parametrize("period_min", [p for p in PERIODS_MIN if p <= 45])
def test_a_cabinet_whose_content_nobody_named_is_ok_too(period_min, shape):
    series = cycling(period_min, shape=shape)
    fridge = unit(interval_s=60)
    verdict, _, why = worst_between(
        series,
        fridge,
        from_ms=int(series.t_ms[-1]) - 7 * 1440 * MINUTE_MS,
        to_ms=int(series.t_ms[-1]),
    )
    assert verdict is Verdict.OK, why


def test_a_cabinet_that_merely_cycles_shows_its_air_minutes_all_the_same():
    series = cycling(30)
    analysis = assess(series, unit(interval_s=60), as_of_ms=int(series.t_ms[-1]))
    air = next(e for e in analysis.exposure if e.basis == "cabinet")
    assert air.minutes_above > 1000
    assert air.verdict is Verdict.OK
    assert air.compliant == "unknown"


@pytest.mark.parametrize("every_min", [60, 90])
def test_fifteen_lid_openings_a_day_are_not_ok(every_min):
    air_c = np.full(3 * 1440, 3.5)
    for day in range(3):
        for opening in range(15):
            start = day * 1440 + 30 + opening * every_min
            air_c[start : start + 6] = 16.0
    series = every_minute(air_c)
    analysis = assess(series, unit(classes=("red_meat",), interval_s=60), as_of_ms=int(series.t_ms[-1]))
    assert analysis.verdict is Verdict.DISCARD_ADVISED


def test_food_still_warm_after_the_air_recovered_is_counted():
    air_c = np.full(1440, 3.0)
    air_c[300:420] = 20.0
    series = every_minute(air_c)
    analysis = assess(series, unit(classes=("red_meat",), interval_s=60), as_of_ms=int(series.t_ms[-1]))
    food = next(e for e in analysis.exposure if e.basis == "modelled_food")
    air = next(e for e in analysis.exposure if e.basis == "cabinet")
    assert air.minutes_above < 125
    assert food.minutes_above > 400


@pytest.mark.parametrize(
    ("period_min", "load_kg"), [(15, None), (23, None), (30, None), (30, 10.0), (45, 10.0), (60, 10.0)]
)
def test_a_week_of_cycling_between_2_and_6_degrees_condemns_no_food(period_min, load_kg):
    series = cycling(period_min, days=10, mean_c=4.0, swing_k=2.0)
    fridge = unit(classes=("red_meat",), interval_s=60, load_kg=load_kg)
    end_ms = int(series.t_ms[-1])
    verdict, _, why = worst_between(series, fridge, from_ms=end_ms - 7 * 1440 * MINUTE_MS, to_ms=end_ms)
    # A few minutes as the model settles from the first air may ask to be watched, no more.
    assert verdict.rank <= Verdict.WATCH.rank, why


@pytest.mark.parametrize("swing_k", [1.5, 4.0])
def test_a_week_of_a_cycling_freezer_condemns_no_food(swing_k):
    series = cycling(40, days=10, mean_c=-17.0, swing_k=swing_k)
    freezer = unit("freezer", classes=("frozen_other",), interval_s=60, load_kg=15.0)
    end_ms = int(series.t_ms[-1])
    verdict, _, why = worst_between(series, freezer, from_ms=end_ms - 7 * 1440 * MINUTE_MS, to_ms=end_ms)
    assert verdict is Verdict.OK, why


def freezer_with_a_stop(hours, *, warm_c=10.0):
    air_c = np.full(4 * 1440, -18.0)
    air_c[1440 : 1440 + hours * 60] = warm_c
    return every_minute(air_c)


def food_entries(series):
    freezer = unit("freezer", classes=("frozen_other",), interval_s=60, load_kg=15.0)
    found = assess(series, freezer, as_of_ms=int(series.t_ms[-1]))
    return found, {e.limit_c: e for e in found.exposure if e.basis == "modelled_food"}


def test_a_freezer_that_stood_for_hours_is_held_as_not_sellable_and_not_thrown_away_while_ice_is_left():
    # The thinnest food modelled (20 min, fatty beef) needs longer than 1 h at 10 °C to melt and pass 5 °C.
    found, entries = food_entries(freezer_with_a_stop(2))
    assert found.verdict is Verdict.HOLD
    assert entries[-12.0].minutes_above > 240
    assert entries[5.0].minutes_above < 60


def test_a_freezer_that_stood_for_a_day_is_found_thawed():
    found, entries = food_entries(freezer_with_a_stop(24))
    assert found.verdict is Verdict.DISCARD_ADVISED
    assert entries[5.0].minutes_above > 240
    assert entries[-12.0].minutes_above > entries[5.0].minutes_above + 600


def test_bursts_of_lid_openings_are_not_missed_in_a_freezer():
    air_c = np.full(3 * 1440, -17.0)
    for day in range(3):
        for opening in range(15):
            start = day * 1440 + 30 + opening * 60
            air_c[start : start + 12] = 15.0
    found, entries = food_entries(every_minute(air_c))
    assert found.verdict.rank >= Verdict.HOLD.rank
    assert entries[-12.0].minutes_above > 240
