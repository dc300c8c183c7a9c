import numpy as np
import pytest

from services.analytics.food.kinetic import mean_kinetic_c, mean_kinetic_of
from tests.helpers.histories import lines, steps


def test_it_lies_between_the_plain_mean_and_the_highest():
    rng = np.random.default_rng(11)
    for _ in range(200):
        food_c = rng.uniform(-30.0, 40.0, 20)
        weights = rng.uniform(0.1, 5.0, 20)
        found = mean_kinetic_c(food_c, weights)
        assert np.average(food_c, weights=weights) - 1e-9 <= found <= food_c.max() + 1e-9


def test_readings_on_lines_give_what_steps_give():
    stepped = mean_kinetic_of(*steps((22, 4), (2, 12)))
    assert stepped == pytest.approx(mean_kinetic_c(np.array([4.0, 12.0]), np.array([22.0, 2.0])), abs=1e-6)
    slope = mean_kinetic_of(*lines((0, 2), (60, 8)))
    fine = np.linspace(2.0, 8.0, 20_001)
    assert slope == pytest.approx(mean_kinetic_c(fine, np.ones(fine.size)), abs=1e-3)


def test_less_than_two_readings_have_none():
    assert mean_kinetic_of(np.array([0]), np.array([4.0])) is None
    assert mean_kinetic_of(np.array([5, 5]), np.array([4.0, 6.0])) is None


def test_very_cold_does_not_underflow():
    assert mean_kinetic_c(np.array([-200.0, -200.0]), np.ones(2)) == pytest.approx(-200.0)


@pytest.mark.parametrize(("food_c", "weights"), [([], []), ([4.0], [0.0])])
def test_nothing_has_no_mean(food_c, weights):
    with pytest.raises(ValueError, match="nothing"):
        mean_kinetic_c(np.array(food_c), np.array(weights))


def test_time_nobody_recorded_is_left_out():
    t_ms, food_c = lines((0, 5), (60, 5), (600, 25), (660, 25))
    known = mean_kinetic_of(t_ms, food_c, gap_ms=30 * 60_000.0 * 2)
    assert known == pytest.approx(mean_kinetic_c(np.array([5.0, 25.0]), np.ones(2)))
    assert mean_kinetic_of(t_ms, food_c, gap_ms=1.0) is None
