import numpy as np
import pytest

from services.analytics.food.ranking import KEEPS, use_first
from services.domain import FoodClass
from tests.helpers.histories import HOUR_MS, celsius, steps

CLASSES = FoodClass.__args__
NONE = (np.empty(0, dtype=np.int64), np.empty(0))


def score(food_class, *stretches, **options):
    t_ms, food_c = steps(*stretches)
    options.setdefault("as_of_ms", int(t_ms[-1]))
    return use_first(food_class, t_ms, food_c, **options).score


def test_a_keeping_time_at_its_own_temperature_is_a_score_of_one():
    for food_class, keeps in KEEPS.items():
        assert score(food_class, (24 * keeps.least_days, celsius(40))) == pytest.approx(1.0), food_class


def test_ready_to_eat_is_said_and_gains_no_time():
    plain, ready = (
        use_first("cooked", *steps((9, 3)), as_of_ms=9 * HOUR_MS, ready_to_eat=r) for r in (False, True)
    )
    assert plain.score == ready.score
    assert "nothing will be cooked away" in ready.why


@pytest.mark.parametrize("food_class", [c for c in CLASSES if c not in ("medicine", "drinks")])
def test_warmer_and_longer_never_come_later(food_class):
    by_warmth = [score(food_class, (10, c)) for c in np.arange(-20.0, 30.0, 2.5)]
    assert by_warmth == sorted(by_warmth)
    by_time = [score(food_class, (h, 6.0)) for h in (1, 5, 24, 100)]
    assert by_time == sorted(by_time)


def test_food_kept_frozen_has_its_time_before_it():
    found = use_first("frozen_other", *steps((500, -18.0)), as_of_ms=500 * HOUR_MS)
    assert (found.score, found.why) == (0.0, "kept frozen all along")


def test_food_that_thawed_counts_like_the_fresh_kind():
    assert score("frozen_fish", (100, -18.0), (24, celsius(40))) == pytest.approx(1.0)


def test_a_near_date_comes_first_and_says_so():
    far, near = (use_first("red_meat", *steps((1, 2)), as_of_ms=HOUR_MS, days_left=d) for d in (9, 0))
    assert near.score > far.score
    assert near.why.startswith("last day today")
    assert "9 days to its date" in far.why
    assert "1 day to its date" in use_first("red_meat", *steps((1, 2)), as_of_ms=0, days_left=1).why


def test_what_is_past_its_date_or_no_food_is_not_ranked():
    past = use_first("red_meat", *steps((90, 9)), as_of_ms=0, days_left=-1)
    assert (past.score, past.why) == (0.0, "past its date: not for use")
    assert score("medicine", (900, 20)) == 0.0
    assert "pharmacist" in use_first("medicine", *NONE, as_of_ms=0).why
    assert score("drinks", (900, 20)) == 0.0


def test_what_nothing_is_known_of_comes_early():
    found = use_first("cooked", np.array([0]), np.array([np.nan]), as_of_ms=0)
    assert (found.score, found.why) == (1.0, "its temperature is not known")
    assert use_first("cooked", *NONE, as_of_ms=0).score == 1.0


def test_vacuum_packing_gains_no_time():
    plain, packed = (
        use_first("fish", *steps((9, 3)), as_of_ms=9 * HOUR_MS, vacuum_packed=v) for v in (False, True)
    )
    assert plain.score == packed.score
    assert packed.why.endswith("vacuum packed: smell tells nothing")


def test_a_long_silence_is_as_warm_as_its_warmer_end():
    t_ms = np.array([0, 20 * HOUR_MS])
    silent = use_first("poultry", t_ms, np.array([2.0, 8.0]), as_of_ms=20 * HOUR_MS)
    assert silent.score == pytest.approx(score("poultry", (20, 8.0)))
    short = use_first("poultry", t_ms // 10, np.array([2.0, 8.0]), as_of_ms=2 * HOUR_MS)
    assert short.score < score("poultry", (2, 8.0))


def test_time_after_the_last_reading_counts_and_readings_after_now_do_not():
    known = score("poultry", (5, 6.0))
    assert score("poultry", (5, 6.0), as_of_ms=10 * HOUR_MS) == pytest.approx(2 * known)
    t_ms, food_c = steps((5, 6.0), (5, 30.0))
    assert use_first("poultry", t_ms, food_c, as_of_ms=5 * HOUR_MS - 1).score == pytest.approx(
        known, rel=1e-6
    )


def test_a_score_names_its_chart():
    assert "USDA cold storage chart" in use_first("mince", *steps((9, 3)), as_of_ms=0).why


def test_food_that_was_warm_for_long_is_explained_by_an_index_and_ordered_no_differently():
    cool, warm = (use_first("poultry", *steps((3, c)), as_of_ms=3 * HOUR_MS) for c in (9.0, 25.0))
    assert "index" not in cool.why
    assert "index 1.5 for C. botulinum A" in warm.why
    assert "hours from memory" in warm.why
    raw = use_first("fish", *steps((3, 25.0)), as_of_ms=3 * HOUR_MS, ready_to_eat=True)
    assert "raw fish eaten as it is" in raw.why
    assert "raw fish" not in use_first("fish", *steps((3, 25.0)), as_of_ms=3 * HOUR_MS).why
