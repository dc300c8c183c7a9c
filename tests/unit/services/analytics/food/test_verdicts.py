import numpy as np
import pytest

from services.analytics.food.intervals import Intervals
from services.analytics.food.rules import limits_of
from services.analytics.food.verdicts import Evidence, Minutes, at, degrees, minutes_at, ranks, standing, why
from services.domain import Verdict
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, unit

HOUR = 60


def clock(above=0.0, unknown=0.0, *, silent=False, awaited=False, hot=False):
    return Minutes(
        np.array([float(MIDNIGHT_MS)]),
        np.array([float(above)]),
        np.array([float(unknown)]),
        np.array([silent]),
        np.array([awaited]),
        np.array([hot]),
    )


def verdict(minutes, *, kind="fridge", classes=("red_meat",), rules=(), coarse=False, which=0):
    limit = limits_of(unit(kind, classes=classes, rules=rules)).limits[which]
    return at(int(ranks(limit, minutes, coarse=coarse)[0]))


@pytest.mark.parametrize(
    ("above", "unknown", "expected"),
    [
        (0, 0, Verdict.OK),
        (0.5, 0, Verdict.WATCH),
        (0, 0.5, Verdict.WATCH),
        (119.9, 0, Verdict.WATCH),
        (120, 0, Verdict.HOLD),
        (60, 60, Verdict.HOLD),
        (0, 5000, Verdict.HOLD),
        (239.9, 5000, Verdict.HOLD),
        (240, 0, Verdict.DISCARD_ADVISED),
    ],
)
def test_the_ladder_of_a_chilled_limit(above, unknown, expected):
    assert verdict(clock(above, unknown)) is expected


def test_hot_air_around_the_food_halves_the_time_to_hold():
    assert verdict(clock(60, hot=True)) is Verdict.HOLD
    assert verdict(clock(59, hot=True)) is Verdict.WATCH
    assert verdict(clock(60, hot=True), rules=("fsis",)) is Verdict.DISCARD_ADVISED
    assert verdict(clock(120), rules=("fsis",)) is Verdict.DISCARD_ADVISED
    assert verdict(clock(119), rules=("fsis",)) is Verdict.WATCH


def test_frozen_limits_end_in_hold_and_the_thawed_limit_does_not():
    frozen = {"kind": "freezer", "classes": ("frozen_other",)}
    assert verdict(clock(100_000), **frozen) is Verdict.HOLD
    assert verdict(clock(240), **frozen, which=1) is Verdict.DISCARD_ADVISED


def test_medicine_is_held_and_never_discarded_and_drinks_are_only_watched():
    assert verdict(clock(60), classes=("medicine",)) is Verdict.HOLD
    assert verdict(clock(100_000), classes=("medicine",)) is Verdict.HOLD
    assert verdict(clock(1), classes=("medicine",), which=0) is Verdict.HOLD
    assert verdict(clock(100_000), classes=("drinks",)) is Verdict.WATCH


def test_a_limit_that_only_warns_does_not_hide_that_nothing_is_known():
    assert verdict(clock(silent=True), classes=("drinks",)) is Verdict.NO_DATA
    assert verdict(clock(100_000, awaited=True), classes=("drinks",)) is Verdict.NO_DATA


def test_silence_and_awaited_samples_are_never_ok():
    assert verdict(clock(silent=True)) is Verdict.NO_DATA
    assert verdict(clock(awaited=True)) is Verdict.NO_DATA
    assert verdict(clock(10, awaited=True)) is Verdict.NO_DATA
    assert verdict(clock(240, silent=True)) is Verdict.DISCARD_ADVISED


def test_a_coarse_log_is_watch_at_best():
    assert verdict(clock(), coarse=True) is Verdict.WATCH
    assert verdict(clock(120), coarse=True) is Verdict.HOLD


def spans(*pairs):
    return Intervals(
        np.array([MIDNIGHT_MS + a * MINUTE_MS for a, _ in pairs], dtype=float),
        np.array([MIDNIGHT_MS + b * MINUTE_MS for _, b in pairs], dtype=float),
    )


def evidence(*, above=(), unknown=(), expected=(), hot=(), samples=(0, 1), heard=0):
    return Evidence(
        above=spans(*above),
        unknown=spans(*unknown),
        expected=spans(*expected),
        hot=spans(*hot),
        sample_ms=MIDNIGHT_MS + np.array(samples, dtype=np.int64) * MINUTE_MS,
        heard_ms=None if heard is None else MIDNIGHT_MS + heard * MINUTE_MS,
        gap_ms=3.0 * MINUTE_MS,
    )


def minutes_of(evidence_, *as_of, **options):
    options.setdefault("clock_from_ms", None)
    return minutes_at(
        evidence_, np.array([MIDNIGHT_MS + m * MINUTE_MS for m in as_of], dtype=float), **options
    )


def test_the_clock_covers_the_last_72_hours_only():
    end = 100 * HOUR
    found = minutes_of(evidence(above=[(0, 30), (28 * HOUR - 10, 28 * HOUR + 10)], samples=[0, end]), end)
    assert found.above.tolist() == [10]


def test_emptied_by_a_person_starts_a_new_clock():
    series = evidence(above=[(0, 30)], samples=range(61))
    found = minutes_of(series, 60, clock_from_ms=MIDNIGHT_MS + 20 * MINUTE_MS)
    assert found.above.tolist() == [10]


def test_each_as_of_time_counts_only_what_it_could_know():
    series = evidence(above=[(0, 10)], unknown=[(10, 60)], samples=[*range(11), 60])
    found = minutes_of(series, 5, 12, 40, 60)
    assert found.above.tolist() == [5, 10, 10, 10]
    assert found.unknown.tolist() == [0, 0, 30, 50]
    assert found.silent.tolist() == [False, False, True, False]


def test_expected_samples_are_not_unknown_but_awaited():
    series = evidence(unknown=[(10, 60)], expected=[(5, 70)], samples=[*range(11), 60])
    found = minutes_of(series, 100)
    assert found.unknown.tolist() == [30]
    assert found.awaited.tolist() == [True]


def test_a_unit_never_heard_is_silent_without_minutes():
    found = minutes_of(evidence(samples=(), heard=None), 100)
    assert (found.silent.tolist(), found.unknown.tolist()) == ([True], [0])


def test_time_since_it_was_first_heard_is_unknown_where_nothing_came():
    assert minutes_of(evidence(samples=(), heard=0), 100).unknown.tolist() == [100]


def test_air_must_stand_above_for_half_an_hour_without_a_break():
    series = evidence(above=[(0, 20), (25, 55)], samples=range(56))
    as_of = np.array([MIDNIGHT_MS + m * MINUTE_MS for m in (19, 50, 55, 57, 59)], dtype=float)
    assert standing(series, as_of).tolist() == [False, False, True, True, False]
    assert not standing(evidence(), as_of).any()


@pytest.mark.parametrize("word", ["probe", "food modelled from cabinet air", "cabinet air"])
def test_the_reason_says_which_temperature_was_used(word):
    limit = limits_of(unit()).limits[0]
    assert why(limit, clock(61), Verdict.WATCH, basis=word, coarse=False) == f"{word} above 4 °C for 61 min"


def test_the_reason_names_everything_that_counted():
    limit = limits_of(unit("freezer", classes=("frozen_other",))).limits[0]
    told = why(limit, clock(130, 20, silent=True, hot=True), Verdict.HOLD, basis="probe", coarse=True)
    for part in (
        "above \u221212 °C for 130 min",
        "20 min unknown",
        "nothing heard",
        "too coarsely",
        "32.2 °C",
        "not sellable as frozen",
        "a named person",
    ):
        assert part in told
    assert "less than a minute" in why(limit, clock(0.2), Verdict.WATCH, basis="probe", coarse=False)
    assert "still to arrive" in why(limit, clock(awaited=True), Verdict.NO_DATA, basis="probe", coarse=False)
    assert degrees(40 / 1.8 - 32 / 1.8) == "4.44 °C"
