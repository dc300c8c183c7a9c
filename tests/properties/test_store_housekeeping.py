"""Sealing, rolling up and counting at any moment change nothing of what a store answers."""

import contextlib
import random

import numpy as np
import pytest

from services.store import Skipped
from services.store.bins import Grid, grid
from services.store.ledger_reader import LedgerReader
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.hour_rule import RuleFor

MONDAY_MS = 1_759_708_800_000
COLUMNS = ["cabinet_c", "battery_v", "compressor_on"]
UNITS = ("v3-meat", "v3-drinks")
NEVER_TIDIED, TIDIED = 0, 1

SEEDS = range(12)
STEPS = 30


def drawn_sample(rng):
    """Return a sample whose values follow from its identity, but for a conflict now and then.

    Few numbers in steps of 17 minutes, eighteen days long, so that many come again.
    """
    unit, bid = rng.choice(UNITS), rng.choice((-1, 1, 2))
    sq = rng.randrange(75) * 20 + rng.randrange(2)
    t_ms = MONDAY_MS + sq * 17 * MINUTE_MS  # the same in every boot: their order is that of the numbers
    tq, up_s = 2, None
    if bid == 2:  # a boot whose clock is sometimes not set, and then off by three weeks
        up_s = sq * 1_020.0
        if rng.random() < 0.5:
            t_ms, tq = t_ms - 21 * DAY_MS, 0
    if bid == -1:
        sq = t_ms
    if sq % 340 == 0:
        t_ms += 60 * DAY_MS  # dated ahead
    if sq % 601 == 0:
        t_ms, tq, up_s = 5_000, -1, None
    values = {"cabinet": (sq * 7919 % 13_000) / 1000 - 4.0, "compressor": sq % 3 == 0}
    if sq % 2:
        values["battery"] = 11.0 + (sq % 2_000) / 1000
    if sq % 3:
        values["current"] = (sq * 31 % 9_000) / 1000 - 1.0
    if sq % 5 == 0:
        values |= {"supply": "battery", "odd": sq}
    if rng.random() < 0.02:
        values["cabinet"] += 1.0
    return Sample(unit, bid, sq, t_ms, tq, values, up_s)


def drawn_step(rng):
    what = rng.choices(("append", "tidy", "reopen", "fail", "skip"), weights=(10, 8, 1, 2, 1))[0]
    if what == "tidy":
        return what, rng.choice((0, 0, 1, 3, 8))
    if what == "skip":
        return what, (rng.choice(UNITS), rng.randrange(1_500))
    return what, [drawn_sample(rng) for _ in range(rng.randrange(1, 25))]


def drawn_span(rng):
    start_ms = MONDAY_MS + rng.randrange(-2 * DAY_MS, 25 * DAY_MS)
    return start_ms, start_ms + rng.randrange(1, 40 * DAY_MS), rng.choice((3, 40, 500))


RULE = RuleFor(40.0)


class _BrokenError(Exception):
    """Comes in the middle of a transaction."""


class Pair:
    """Two stores that are told the same; one of them is tidied."""

    def __init__(self, folder):
        self.folder = folder
        self.now_ms = MONDAY_MS
        self.stores = [self._opened(name) for name in (NEVER_TIDIED, TIDIED)]
        self.reader = SqliteReader(folder / f"{TIDIED}.db", rule=RULE)

    def _opened(self, name):
        return SqliteStore(self.folder / f"{name}.db", seal_after_days=1.0, rule=RULE)

    def append(self, batch):
        plain, tidied = (store.append(batch, received_ms=self.now_ms) for store in self.stores)
        assert plain == tidied

    def tidy(self, days):
        self.now_ms += days * DAY_MS + HOUR_MS
        for _ in range(2_000):
            if not self.stores[TIDIED].tidy(self.now_ms):
                return
        raise AssertionError("housekeeping has no end")

    def reopen(self, _nothing):
        for name in (NEVER_TIDIED, TIDIED):
            self.stores[name].close()
            self.stores[name] = self._opened(name)

    def fail(self, batch):
        for store in self.stores:
            keep = store._save_boots
            store._save_boots = lambda *_: (_ for _ in ()).throw(_BrokenError)
            with contextlib.suppress(_BrokenError):
                store.append(batch, received_ms=1)
            store._save_boots = keep

    def skip(self, where):
        unit, sq = where
        for store in self.stores:
            store.declare_skipped(unit, Skipped(1, sq, sq + 1, "gone"))

    def close(self):
        for each in (*self.stores, self.reader):
            each.close()


def assert_same_series(one, other):
    assert one.t_ms.tolist() == other.t_ms.tolist()
    assert set(one.columns) == set(other.columns)
    for name, values in one.columns.items():
        np.testing.assert_array_equal(values, other.columns[name])


def assert_same_bins(some, others):
    assert list(some) == list(others)
    for column, bins in some.items():
        for part in ("t_ms", "lowest", "highest", "mean", "count"):
            np.testing.assert_array_equal(getattr(bins, part), getattr(others[column], part), err_msg=column)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_tidied_store_answers_as_one_that_keeps_everything_in_rows(seed, tmp_path):
    rng = random.Random(seed)  # noqa: S311 - a story, not a secret
    with contextlib.closing(Pair(tmp_path)) as pair:
        for _ in range(STEPS):
            what, with_what = drawn_step(rng)
            getattr(pair, what)(with_what)
            plain = pair.stores[NEVER_TIDIED]
            for tidied in (pair.stores[TIDIED], pair.reader):
                assert_same_answers(tidied, plain, pair.now_ms)
            for unit in UNITS:
                assert_same_span(pair.reader, plain, unit, drawn_span(rng))
                assert_same_hours(pair.reader, plain, unit, drawn_span(rng))
        pair.tidy(100)
        assert pair.stores[TIDIED]._connection.execute("SELECT count(*) FROM chunks").fetchone()[0] > 3
        weeks = pair.stores[TIDIED]._connection.execute("SELECT count(DISTINCT week) FROM week_counts")
        assert weeks.fetchone()[0] > 3
        assert_same_answers(pair.reader, plain, pair.now_ms)


def assert_same_answers(tidied, plain, now_ms):
    assert tidied.latest(now_ms) == plain.latest(now_ms)
    for unit in UNITS:
        assert tidied.span_of(unit) == plain.span_of(unit)
        assert tidied.missing_spans(unit) == plain.missing_spans(unit)
        assert tidied.marks(unit) == plain.marks(unit)
        assert_same_series(tidied.read(unit, 0, 2**62), plain.read(unit, 0, 2**62))


def assert_same_span(tidied, plain, unit, span):
    start_ms, end_ms, points = span
    some, others = (store.read(unit, start_ms, end_ms, COLUMNS[:2]) for store in (tidied, plain))
    assert_same_series(some, others)
    over = grid(start_ms, end_ms, points)
    assert_same_bins(tidied.binned(unit, over, COLUMNS), LedgerReader.binned(plain, unit, over, COLUMNS))


def assert_same_hours(tidied, plain, unit, span):
    start_ms, end_ms, parts = span
    edges_ms = np.unique(
        np.linspace(start_ms, end_ms, min(parts, 40) + 1).astype(np.int64) // HOUR_MS * HOUR_MS
    )
    for column in ("cabinet_c", "current_a"):
        some, others = (store.counted(unit, column, edges_ms) for store in (tidied, plain))
        np.testing.assert_array_equal(some, others, err_msg=column)


def test_days_and_weeks_end_where_they_end(tmp_path):
    with contextlib.closing(Pair(tmp_path)) as pair:
        edges = [
            Sample(UNITS[0], 1, sq, at_ms + beside, 2, {"cabinet": float(sq)})
            for sq, (at_ms, beside) in enumerate(
                (MONDAY_MS + day * DAY_MS, beside) for day in range(-1, 16) for beside in (-1, 0, 1)
            )
        ]
        for sample in edges:
            pair.append([sample])
        pair.tidy(60)
        sealed = pair.stores[TIDIED]._connection.execute("SELECT sum(samples), count(*) FROM chunks")
        assert sealed.fetchone() == (len(edges), 4), "all are sealed, in four weeks"
        for width_ms in (HOUR_MS, DAY_MS, 7 * DAY_MS):
            over = Grid(MONDAY_MS - DAY_MS, MONDAY_MS + 15 * DAY_MS, MONDAY_MS - DAY_MS, width_ms)
            assert_same_bins(
                pair.reader.binned(UNITS[0], over, COLUMNS),
                LedgerReader.binned(pair.stores[NEVER_TIDIED], UNITS[0], over, COLUMNS),
            )
