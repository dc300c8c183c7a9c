import numpy as np
import pytest

from services.analytics.food.spoilage import FRESH, SMOKED_SALMON, SpoilageModel, days_at_zero
from tests.helpers.histories import lines, steps

ARRHENIUS = SpoilageModel("any", "arrhenius", 100_000.0, "made up")


@pytest.mark.parametrize("model", [FRESH, SMOKED_SALMON, ARRHENIUS], ids=lambda m: m.name)
def test_a_day_at_zero_is_a_day_and_warmer_is_never_less(model):
    assert days_at_zero(model, *steps((24, 0.0))) == pytest.approx(1.0)
    rates = model.relative_rate(np.linspace(-30.0, 40.0, 141))
    assert np.all(np.diff(rates) >= 0.0)


def test_stretches_add_up_in_any_order():
    one_way = days_at_zero(FRESH, *steps((30, 2), (5, 12), (1, 25)))
    other_way = days_at_zero(FRESH, *steps((1, 25), (30, 2), (5, 12)))
    assert one_way == pytest.approx(other_way)


def test_a_line_is_integrated():
    # ∫ (1 + 0.1 T)² from 0 to 10 °C: ((2)³ - 1) / (3 · 0.1 · 10) = 7/3 of the time.
    assert days_at_zero(FRESH, *lines((0, 0), (1440, 10))) == pytest.approx(7.0 / 3.0)


def test_nothing_spoils_below_the_lowest_temperature():
    assert days_at_zero(FRESH, *steps((1000, -18.0))) == 0.0
