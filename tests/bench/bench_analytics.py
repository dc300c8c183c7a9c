"""How long the analytics of one unit-year take, beside the row-by-row oracle of the tests.

Run ``python -m tests.bench.bench_analytics [--check]``; ``--check`` exits 1 below target. The oracle is
timed on a slice and scaled by rows, which it says. Times are processor
time of this one process (nothing here waits or runs in parallel), so that other work on the machine
weighs little. Another analysis joins the bench through `EXTRA`.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np

from services.analytics.assess import assess, worst_between
from services.analytics.food import track
from services.analytics.food.lags import lags_ms
from services.analytics.power.thermostat import Band
from services.analytics.service.health import health_days
from services.domain import Bank, Food, Supply, Unit, UnitSettings
from services.telemetry import Series
from services.timebase import DAY_MS, MINUTE_MS, utc_day_start_ms
from tests.helpers import oracle_power
from tests.helpers.oracle_food import food_minutes, line_minutes

YEAR_ROWS = 525_600
ORACLE_ROWS = 4_000
START_MS = 1_735_689_600_000
TARGET_RATIO, TARGET_S, TARGET_EXTEND_MS, TARGET_FLAT, TARGET_DAYS_S = 30.0, 1.0, 0.3, 1.3, 0.5
GAP_MS = 3 * MINUTE_MS

BAND = Band(-1.0, 1.0, 1.0, 0.3, learned=False)


def oracle_of_power(series):
    """Find low-voltage stops and count charge row by row: a part of what power does."""
    t_ms, on = series.t_ms.tolist(), [bool(x) for x in series.numbers("compressor_on").tolist()]
    above = (series.numbers("cabinet_c") - 3.0).tolist()
    oracle_power.low_voltage_stops(
        t_ms, on, series.numbers("battery_v").tolist(), above, band=BAND, cutout_v_12=11.4, gap_ms=GAP_MS
    )
    oracle_power.drawn_ah(t_ms, [4.2 * state for state in on], GAP_MS)


EXTRA: dict[str, Callable[[Series], None]] = {"power": oracle_of_power}
"""Row-by-row oracles of other analyses: each is given the slice, its time is added."""


def year(rows=YEAR_ROWS, seed=7):
    """Return one unit-year of three channels: a cycling fridge, its battery, some lid openings."""
    rng = np.random.default_rng(seed)
    minute = np.arange(rows)
    on = (minute % 31) < 12
    air = 3.0 + 1.4 * np.sin(2 * np.pi * minute / 31) + rng.normal(0, 0.1, rows)
    for start in rng.integers(0, rows - 60, rows // 720):
        air[start : start + 8] += 9.0
    volts = 12.6 - 0.25 * on + 0.3 * np.sin(2 * np.pi * minute / 1440) + rng.normal(0, 0.02, rows)
    t_ms = START_MS + minute.astype(np.int64) * MINUTE_MS
    return Series(
        t_ms,
        {
            "cabinet_c": np.round(air, 3),
            "battery_v": np.round(volts, 3),
            "compressor_on": on.astype(np.float64),
        },
    )


def bench_unit():
    bank = Bank(id="bank-one", chemistry="agm", nominal_v=12, capacity_ah=100)
    unit = Unit(
        id="unit-one",
        kind="fridge",
        interval_s=60,
        food=Food(classes=("red_meat",)),
        supply=Supply(bank="bank-one", cutout_v=11.4),
    )
    return UnitSettings.of(unit, bank=bank)


def bench_freezer():
    """Return a freezer on the same bank."""
    fridge = bench_unit()
    unit = fridge.unit.model_copy(update={"kind": "freezer", "food": Food(classes=("frozen_other",))})
    return UnitSettings.of(unit, bank=fridge.bank)


def seconds(work, repeats=3):
    """Return the best of a few runs."""
    best = float("inf")
    for _ in range(repeats):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def oracle_seconds(series):
    """Return the oracle's time for a year, scaled from a slice."""
    part = Series(series.t_ms[:ORACLE_ROWS], {name: c[:ORACLE_ROWS] for name, c in series.columns.items()})
    rows = list(zip(part.t_ms.tolist(), part.numbers("cabinet_c").tolist(), strict=True))
    begin = time.process_time()
    food_minutes(rows, limit_c=5.0, gap_min=3.0, as_of_ms=rows[-1][0], from_ms=rows[0][0])
    line_minutes(rows, limit_c=5.0, gap_min=3.0)
    for oracle in EXTRA.values():
        oracle(part)
    return (time.process_time() - begin) * YEAR_ROWS / len(rows)


def modelled_year(series, *, limit_c=5.0, frozen=False):
    """Return the food clock of a whole year, which the service itself never asks for at once."""
    fresh = track.start((track.Line(limit_c),), lags=lags_ms(None), gap_ms=GAP_MS, frozen=frozen)
    return track.extend(fresh, series.t_ms, series.numbers("cabinet_c"))


def as_freezer(series, *, colder_k=21.0):
    """Return the same log as a freezer would have kept it, lid openings and all."""
    return Series(series.t_ms, series.columns | {"cabinet_c": series.numbers("cabinet_c") - colder_k})


def thawing(series):
    """Return a week of a freezer that stops and starts again every day: the slowest food to follow."""
    week = series.between(int(series.t_ms[-1]) - 8 * DAY_MS, int(series.t_ms[-1]) + 1)
    hour = (week.t_ms // 3_600_000) % 24
    wave = week.numbers("cabinet_c") - 3.0
    return Series(
        week.t_ms, week.columns | {"cabinet_c": np.round(np.where(hour < 10, 4.0, -18.0) + wave, 3)}
    )


def extend_ms(series, days):
    """Return the cost of one more sample on some days of the year: median hour, days in turns. [ms]"""
    air = series.numbers("cabinet_c")
    fresh = track.start((track.Line(5.0),), lags=lags_ms(None), gap_ms=GAP_MS, keep_ms=8 * DAY_MS)
    clocks = [track.extend(fresh, series.t_ms[: day * 1440], air[: day * 1440]) for day in days]
    costs = [[] for _ in days]
    for hour in range(24):
        for turn, day in enumerate(days):
            first = day * 1440 + hour * 60
            before = time.process_time()
            for k in range(first, first + 60):
                clocks[turn] = track.extend(clocks[turn], series.t_ms[k : k + 1], air[k : k + 1])
            costs[turn].append((time.process_time() - before) / 60)
    return [statistics.median(cost) * 1000 for cost in costs]


def main(arguments=None):
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="exit 1 below target")
    options = parser.parse_args(arguments)
    series, unit = year(), bench_unit()
    as_of_ms = int(series.t_ms[-1])
    whole = seconds(lambda: assess(series, unit, as_of_ms=as_of_ms, offline=True))
    food_year = seconds(lambda: modelled_year(series))
    frozen_year = seconds(lambda: modelled_year(as_freezer(series), limit_c=-12.0, frozen=True))
    freezer, stopping = bench_freezer(), thawing(series)
    melting = seconds(lambda: assess(stopping, freezer, as_of_ms=as_of_ms), repeats=5)
    window = series.between(as_of_ms - 8 * DAY_MS, as_of_ms + 1)
    service = seconds(lambda: assess(window, unit, as_of_ms=as_of_ms), repeats=5)
    late = seconds(lambda: worst_between(window, unit, from_ms=as_of_ms - DAY_MS, to_ms=as_of_ms), repeats=5)
    midnight_ms = utc_day_start_ms(int(series.t_ms[0])) + DAY_MS
    days = seconds(lambda: health_days(series, unit, from_ms=midnight_ms, to_ms=midnight_ms + 363 * DAY_MS))
    oracle = oracle_seconds(series)
    first, last = extend_ms(series, (9, 364))
    slowest = max(whole, food_year)
    lines = [
        ("all analytics, one unit-year of 525 600 samples x 3 channels [s]", whole, whole <= TARGET_S),
        ("modelled food for every minute of that year [s]", food_year, food_year <= TARGET_S),
        (
            "modelled food in a freezer for every minute of that year [s]",
            frozen_year,
            frozen_year <= TARGET_S,
        ),
        ("the same / modelled food of the fridge", frozen_year / food_year, True),
        ("days of the machine, of that year [s]", days, days <= TARGET_DAYS_S),
        ("last 8 days of a freezer that melts and freezes every day [ms]", melting * 1000, True),
        (f"row-by-row oracle, {ORACLE_ROWS} rows timed and scaled to the year [s]", oracle, True),
        ("oracle / slower of the two", oracle / slowest, oracle / slowest >= TARGET_RATIO),
        ("as the service asks: the last 8 days [ms]", service * 1000, True),
        ("worst of one day of late data [ms]", late * 1000, True),
        ("one more sample, day 10 [ms]", first, first <= TARGET_EXTEND_MS),
        ("one more sample, day 365 [ms]", last, last <= TARGET_EXTEND_MS),
        ("day 365 / day 10", last / first, last / first <= TARGET_FLAT),
    ]
    for words, value, reached in lines:
        print(f"{words:<75} {value:10.3f}  {'ok' if reached else 'BELOW TARGET'}")
    return 1 if options.check and not all(reached for _, _, reached in lines) else 0


if __name__ == "__main__":
    sys.exit(main())
