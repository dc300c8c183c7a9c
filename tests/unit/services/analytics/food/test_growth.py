import numpy as np
import pytest

from services.analytics.food.growth import (
    LISTERIA_HAM,
    MODELS,
    PSEUDOMONAS_BROTH,
    SNYDER_CURVE,
    grown,
    growth,
)
from tests.helpers.histories import HOUR_MS, lines, steps


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.name)
def test_nothing_grows_at_or_below_the_lowest_temperature(model):
    cold = np.array([model.tmin_c, model.tmin_c - 0.1, -18.0, -60.0])
    assert model.rate(cold).tolist() == [0.0] * 4
    assert model.rate(np.array([model.tmin_c + 0.1]))[0] > 0.0


def test_nothing_grows_at_or_above_the_highest_temperature_of_a_whole_range_model():
    assert SNYDER_CURVE.rate(np.array([52.68, 60.0, 120.0])).tolist() == [0.0] * 3


def test_a_line_is_integrated_and_not_taken_at_its_ends():
    # ∫ b² (T - Tmin)² over a straight line has a closed form.
    b, low, high = LISTERIA_HAM.b, 4.0 - LISTERIA_HAM.tmin_c, 20.0 - LISTERIA_HAM.tmin_c
    exact = b**2 * 10.0 * (low**2 + low * high + high**2) / 3.0
    assert growth(LISTERIA_HAM, *lines((0, 4), (600, 20))) == pytest.approx(exact, rel=1e-9)


def test_the_part_of_a_line_below_the_lowest_temperature_adds_nothing():
    tmin = LISTERIA_HAM.tmin_c
    whole = growth(LISTERIA_HAM, *lines((0, tmin - 10), (200, tmin + 10)))
    half = growth(LISTERIA_HAM, *lines((0, tmin), (100, tmin + 10)))
    assert whole == pytest.approx(half, rel=1e-6)


def test_pairs_add_up_and_a_step_takes_no_time():
    history = steps((6, 4), (4, 15))
    parts = grown(LISTERIA_HAM, *history)
    assert parts.size == 3
    assert parts[1] == 0.0
    assert float(parts.sum()) == growth(LISTERIA_HAM, *history)


def test_one_reading_or_none_is_no_growth():
    assert growth(LISTERIA_HAM, np.array([0]), np.array([20.0])) == 0.0
    assert growth(LISTERIA_HAM, np.empty(0, dtype=np.int64), np.empty(0)) == 0.0


def test_a_ratio_needs_a_temperature_at_which_it_grows():
    assert PSEUDOMONAS_BROTH.ratio(np.array([0.0]), reference_c=0.0)[0] == 1.0
    with pytest.raises(ValueError, match="does not grow"):
        LISTERIA_HAM.ratio(np.array([5.0]), reference_c=-2.0)


@pytest.mark.parametrize(
    ("t_ms", "food_c", "match"),
    [
        ([0, 1], [1.0], "2 times for 1"),
        ([HOUR_MS, 0], [1.0, 2.0], "not fall"),
        ([0, HOUR_MS], [1.0, np.nan], "finite"),
    ],
)
def test_what_is_no_history_is_refused(t_ms, food_c, match):
    with pytest.raises(ValueError, match=match):
        growth(LISTERIA_HAM, np.array(t_ms), np.array(food_c))
