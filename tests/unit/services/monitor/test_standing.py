"""What stands until a person lowers it."""

import itertools

import pytest

from services.domain import Verdict
from services.monitor.standing import advance, is_answered, new_minutes
from services.records.said import Context, Standing, Statement
from tests.helpers import made
from tests.helpers.made import NOON_MS

HOLDS = (Verdict.HOLD, Verdict.DISCARD_ADVISED)


@pytest.mark.parametrize(("before", "computed"), list(itertools.product(Verdict, Verdict)))
def test_from_hold_upwards_data_only_raises_and_below_it_what_stands_follows(before, computed):
    stands = advance(Standing(before, NOON_MS, "old"), computed, at_ms=NOON_MS + 1, why="new")
    if before in HOLDS:
        assert stands.verdict.rank == max(before.rank, computed.rank)
    else:
        assert stands.verdict is computed
    assert stands.since_ms == (NOON_MS if stands.verdict is before else NOON_MS + 1)


def test_a_hold_that_stands_keeps_its_reason():
    assert advance(Standing(Verdict.HOLD, 5, "old"), Verdict.HOLD, at_ms=9, why="new").why == "old"
    assert advance(Standing(Verdict.OK, 5, "old"), Verdict.OK, at_ms=9, why="new").why == "new"
    assert advance(None, Verdict.WATCH, at_ms=9, why="new") == Standing(Verdict.WATCH, 9, "new")


def signed(standing="hold", computed="hold", probe_c=3.0):
    body = {
        "probe_c": probe_c,
        "disposition": "kept",
        "reason": "probed",
        "standing": standing,
        "computed": computed,
    }
    release = Statement(1, "v3-meat", NOON_MS, "Asha", "release", body)
    return Context(1, None, release, None, None)


def fresh(minutes):
    start = NOON_MS
    clock = made.exposure(*([(start, start + round(minutes * 60_000))] if minutes else []), start_ms=start)
    return made.analysis(exposures=(clock,))


@pytest.mark.parametrize(
    ("context", "computed", "minutes", "answered"),
    [
        (signed(), Verdict.HOLD, 0, True),
        (signed(), Verdict.HOLD, 0.5, True),
        (signed(), Verdict.HOLD, 1.0, False),
        (signed(), Verdict.DISCARD_ADVISED, 0, False),
        (signed(standing="discard_advised"), Verdict.DISCARD_ADVISED, 0, True),
        (signed(probe_c=5.1), Verdict.HOLD, 0, False),
        (signed(probe_c=5.0), Verdict.HOLD, 0, True),
        (signed(), Verdict.WATCH, 0, False),
        (Context(0, None, None, None, None), Verdict.HOLD, 0, False),
    ],
)
def test_a_closed_hold_comes_back_only_for_something_new(context, computed, minutes, answered):
    assert is_answered(context, computed, limit_c=5.0, fresh=fresh(minutes)) is answered


def test_new_minutes_are_those_of_the_worst_food_clock_and_never_of_the_air():
    air = made.exposure((NOON_MS, NOON_MS + 600_000), start_ms=NOON_MS, basis="cabinet")
    assert new_minutes(made.analysis(exposures=(air,))) == 0.0
    food = made.exposure((NOON_MS, NOON_MS + 120_000), start_ms=NOON_MS)
    assert new_minutes(made.analysis(exposures=(air, food))) == 2.0
