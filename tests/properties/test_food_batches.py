"""What must hold of a batch's clocks whatever is measured and whatever is done with it."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.food.batches import judge_batch
from services.analytics.food.entries import Readings
from services.domain import Verdict
from services.monitor.standing import advance
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life
from tests.helpers.batch_lives import settings as cabinet

LONG_MIN = 600
SEED, SEQUENCES = 20_260_304, 2_000


@st.composite
def airs(draw):
    """Return readings of ten hours with gaps, warm spells and cold ones."""
    spacing = draw(st.lists(st.sampled_from([1.0, 1.0, 1.0, 2.0, 5.0, 40.0]), min_size=40, max_size=160))
    minutes = np.cumsum(spacing) - 5.0
    level = draw(st.lists(st.integers(1_000, 12_000), min_size=8, max_size=8))
    values = np.interp(minutes, np.linspace(minutes[0], minutes[-1], 8), np.array(level) / 1000.0)
    return minutes, np.round(values + 0.01 * (np.arange(minutes.size) % 7), 3)


def two(minutes, values):
    """Return two cabinets with the same readings."""
    return {
        "box-a": air(minutes, values, as_of=LONG_MIN),
        "box-b": air(minutes, values, of=cabinet("box-b"), as_of=LONG_MIN),
    }


def minutes_of(story, around, minute=LONG_MIN):
    found = judge_batch(story, around, as_of_ms=NOON_MS + round(minute * MINUTE))
    return next(c for c in found.clocks if c.limit_c == 5.0), found


moves = st.lists(st.floats(1, 500).map(lambda m: round(m, 2)), min_size=1, max_size=4, unique=True)


@settings(deadline=None, max_examples=40)
@given(airs(), moves)
def test_stays_in_cabinets_with_the_same_readings_add_up_to_one_stay(around, when):
    told = [
        (at, "moved", {"unit": "box-b" if k % 2 == 0 else "box-a", "frozen": False})
        for k, at in enumerate(sorted(when))
    ]
    boxes = two(*around)
    stayed, _ = minutes_of(life(core_c=4.0), boxes)
    moved, _ = minutes_of(life(*told, core_c=4.0), boxes)
    assert abs(moved.minutes_worst_case - stayed.minutes_worst_case) < 0.01 * (1 + len(told))


@settings(deadline=None, max_examples=40)
@given(
    airs(), st.lists(st.tuples(st.floats(1, 590), st.sampled_from(["moved", "out", "probed"])), max_size=5)
)
def test_minutes_never_fall_as_time_goes_on(around, done):
    boxes = two(*around)
    steps = []
    for at, what in sorted(done):
        if what == "moved":
            steps.append((at, "moved", {"unit": "box-b", "frozen": False}))
        elif what == "out":
            steps.append((at, "taken_out", {}))
            steps.append((at + 4.0, "put_back", {"unit": "box-a", "frozen": False, "probe_c": 4.0}))
        else:
            steps.append((at, "probed", {"probe_c": 3.0}))
    before = 0.0
    for minute in range(0, LONG_MIN, 45):
        clock, _ = minutes_of(life(*[s for s in steps if s[0] <= minute], core_c=4.0), boxes, minute)
        assert clock.minutes_above >= before - 1e-3
        before = clock.minutes_above


@settings(deadline=None, max_examples=40)
@given(airs(), st.floats(10, 500))
def test_a_part_that_was_split_off_has_every_minute_of_the_whole(around, at):
    boxes = two(*around)
    whole = life(core_c=4.0)
    part = life((at, "split", {"from": 1, "unit": "box-b", "frozen": False}), core_c=4.0)
    then = minutes_of(whole, boxes, at)[0].minutes_above
    assert minutes_of(part, boxes)[0].minutes_above >= then - 1e-3


def test_no_sequence_of_gaps_repeats_and_disorder_lowers_what_stands():
    """A seed and 2 000 sequences: rows arrive in any order, some twice, some never, in two packs."""
    chance = np.random.default_rng(SEED)
    grid = np.arange(0.0, 241.0, 2.0)
    times = NOON_MS + (grid * MINUTE).astype(np.int64)
    box, story = air(grid[:3], [3.0, 3.1, 3.2]), life(core_c=4.0)
    held = 0

    def judged(rows, values, before=()):
        there = replace(box, readings=Readings(times[rows], values[rows]))
        return judge_batch(story, {"box-a": there}, as_of_ms=int(times[rows[-1]]), before=before)

    for turn in range(SEQUENCES):
        level = np.repeat(chance.uniform(1.0, 13.0, 8), 16)[: grid.size]
        values = np.round(level + chance.uniform(0, 0.2, grid.size), 3)
        rows = chance.permutation(grid.size)[: int(chance.integers(20, grid.size))]
        first = judged(np.sort(rows[: rows.size // 2]), values)
        found = judged(np.sort(rows), values, before=first.followed)
        standing = advance(None, first.verdict, at_ms=0, why="")
        after = advance(standing, found.verdict, at_ms=0, why="")
        if standing.verdict.rank >= Verdict.HOLD.rank:
            assert after.verdict.rank >= standing.verdict.rank
        assert judged(np.sort(rows), values).clocks == found.clocks
        if turn % 20 == 0:  # with repeats, through the whole way from samples
            twice = np.sort(np.concatenate((rows, chance.choice(rows, 5))))
            there = {"box-a": air(grid[twice], values[twice])}
            again = judge_batch(story, there, as_of_ms=int(times[twice[-1]]))
            assert again.clocks == found.clocks
        held += found.verdict.rank >= Verdict.HOLD.rank
    assert 0 < held < SEQUENCES
