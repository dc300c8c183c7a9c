"""However samples arrive - late, twice, out of order, at last - the verdict is that of the log itself.

Many short logs are laid one behind the other on one axis of time and judged by the real clocks at once:
`merged`, the tracks, `minutes_at` and `ranks` take any number of as-of times.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from services.analytics.food import track
from services.analytics.food.intervals import Intervals
from services.analytics.food.lags import lags_ms
from services.analytics.food.rules import limits_of
from services.analytics.food.verdicts import Evidence, minutes_at, ranks
from services.analytics.quality import merged
from services.domain import Verdict
from services.monitor.standing import advance
from services.telemetry import Series
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, unit

SAMPLES = 24
SLOT_MS = 1200 * MINUTE_MS
"""Far enough apart that no gap between two logs counts as above, whatever its ends."""
GAP_MS = 22.0 * MINUTE_MS
STAGES = 3
HOLD = Verdict.HOLD.rank


@dataclass(frozen=True)
class Logs:
    """Logs side by side: `count` rows of samples."""

    t_ms: np.ndarray
    value_c: np.ndarray
    begin_ms: np.ndarray
    as_of_ms: np.ndarray

    @staticmethod
    def drawn(rng, count, *, limit_c=5.0):
        """Return random logs around a limit; with any sample missing there is a gap."""
        begin = MIDNIGHT_MS + np.arange(count, dtype=np.int64)[:, None] * SLOT_MS
        spacing = rng.integers(12 * 60, 15 * 60, (count, SAMPLES))
        t_ms = begin + (np.cumsum(spacing, axis=1) - spacing[:, :1]) * 1000
        level = limit_c + rng.normal(0, 1.0, (count, 1)) + rng.choice([-3.0, 0.0, 0.0, 2.0], (count, 1))
        values = level + np.cumsum(rng.normal(0, 0.7, (count, SAMPLES)), axis=1)
        return Logs(t_ms, np.round(values, 3), begin[:, 0], t_ms[:, -1] + 610_000.0)


def judged(logs, arrived, *, limit, lags, frozen=False):
    """Return the rung and minutes of every log, given which of its samples arrived, in order of arrival."""
    order = np.argsort(logs.t_ms.ravel()[arrived], kind="stable")
    t_ms, values = logs.t_ms.ravel()[arrived][order], logs.value_c.ravel()[arrived][order]
    series, conflicts = merged(Series(t_ms, {"cabinet_c": values}))
    assert conflicts == ()
    fresh = track.start((track.Line(limit.limit_c),), lags=lags, gap_ms=GAP_MS, frozen=frozen)
    clock = track.extend(fresh, series.t_ms, series.numbers("cabinet_c"))
    evidence = Evidence(
        above=clock.above[0],
        unknown=Intervals(np.array([float(MIDNIGHT_MS)]), series.t_ms[:1].astype(np.float64)).joined(
            clock.unknown[0]
        )
        if series.t_ms[0] > MIDNIGHT_MS
        else clock.unknown[0],
        expected=Intervals.empty(),
        hot=Intervals.empty(),
        sample_ms=series.t_ms,
        heard_ms=MIDNIGHT_MS,
        gap_ms=GAP_MS,
    )
    minutes = minutes_at(evidence, logs.as_of_ms, clock_from_ms=None, reach_ms=logs.as_of_ms - logs.begin_ms)
    return ranks(limit, minutes, coarse=False), minutes


def deliveries(rng, count):
    """Yield which samples have arrived after each stage, in order of arrival, some of them again."""
    samples = count * SAMPLES
    stage = np.where(rng.random(samples) < 0.6, 0, rng.integers(0, STAGES, samples))
    again = np.flatnonzero(rng.random(samples) < 0.3)
    places = np.concatenate((np.arange(samples), again, again[::2]))
    arrives = np.concatenate(
        (stage, rng.integers(0, STAGES, again.size), rng.integers(0, STAGES, again[::2].size))
    )
    arrived = np.empty(0, dtype=np.int64)
    for k in range(STAGES):
        arrived = np.concatenate((arrived, rng.permutation(places[arrives == k])))
        yield arrived


def checked(rng, count, *, limit, lags, limit_c=5.0, frozen=False):
    """Deliver `count` logs in stages and compare; returns how many logs ended on each rung."""
    logs = Logs.drawn(rng, count, limit_c=limit_c)
    whole, minutes = judged(logs, np.arange(count * SAMPLES), limit=limit, lags=lags, frozen=frozen)
    standing = np.zeros(count, dtype=np.int64)
    for arrived in deliveries(rng, count):
        rank, found = judged(logs, arrived, limit=limit, lags=lags, frozen=frozen)
        before, standing = standing, np.maximum(standing, np.where(rank >= HOLD, rank, 0))
        assert np.all(standing >= before)
        if not lags.size:
            # Unknown time counts in full: readings that are missing cannot hide what would have been held.
            assert np.all(found.worst_case >= minutes.above - 1e-6)
            assert np.all(rank >= np.minimum(whole, HOLD))
    assert np.array_equal(rank, whole)
    assert np.array_equal(found.above, minutes.above)
    assert np.array_equal(found.unknown, minutes.unknown)
    assert np.all(standing >= np.where(whole >= HOLD, whole, 0))
    return np.bincount(whole, minlength=len(Verdict))


def chilled():
    return next(x for x in limits_of(unit(classes=("red_meat",))).limits if not x.frozen)


def frozen_limit():
    return next(x for x in limits_of(unit("freezer", classes=("frozen_other",))).limits if x.frozen)


@pytest.mark.parametrize("lags", [np.empty(0), lags_ms(None)], ids=["probe", "modelled"])
def test_2000_deliveries_change_no_verdict_and_lower_none_that_stands(lags):
    seed, count = 20, 2000
    rungs = checked(np.random.default_rng(seed), count, limit=chilled(), lags=lags)
    print(f"seed {seed}, {count} logs, rungs {rungs.tolist()}")
    assert rungs.sum() == count
    assert np.count_nonzero(rungs) >= 4


def test_deliveries_of_frozen_food_change_no_verdict_either():
    rungs = checked(
        np.random.default_rng(21), 120, limit=frozen_limit(), lags=lags_ms(None), limit_c=-12.0, frozen=True
    )
    assert np.count_nonzero(rungs) >= 3


def test_what_stands_is_kept_by_the_monitors_own_latch_as_by_the_highest_rung():
    rng = np.random.default_rng(22)
    for _ in range(300):
        computed = [Verdict(v) for v in rng.choice([v.value for v in Verdict], 6)]
        held, highest = None, 0
        for k, verdict in enumerate(computed):
            if verdict.rank >= HOLD:
                held = advance(held, verdict, at_ms=k, why="because")
            highest = max(highest, verdict.rank if verdict.rank >= HOLD else 0)
            assert (0 if held is None else held.verdict.rank) == highest


@pytest.mark.long
@pytest.mark.parametrize("lags", [np.empty(0), lags_ms(None)], ids=["probe", "modelled"])
def test_a_million_deliveries_change_no_verdict_and_lower_none_that_stands(lags):
    seed, count, at_once = 23, 1_000_000, 5000
    rng, rungs = np.random.default_rng(seed), np.zeros(len(Verdict), dtype=np.int64)
    for _ in range(count // at_once):
        rungs += checked(rng, at_once, limit=chilled(), lags=lags)
    print(f"seed {seed}, {int(rungs.sum())} logs, rungs {rungs.tolist()}")
    assert rungs.sum() == count
