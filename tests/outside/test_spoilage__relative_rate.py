"""Relative rate of spoilage against published shelf lives: help pages of the spoilage predictor of DTU Aqua.

The pages on user-defined models and on cold-smoked salmon were read in a copy; (1 + 0.1 T)² is from memory.
"""

import numpy as np
import pytest

from services.analytics.food.spoilage import FRESH, SMOKED_SALMON, SpoilageModel, days_at_zero
from tests.helpers.histories import steps

pytestmark = pytest.mark.outside


def rate(model, food_c):
    return float(model.relative_rate(np.array([food_c]))[0])


def test_g4_fresh_fish_by_the_square():
    """(1 + 0.1 T)² (from memory): 2.25 at 5 °C, 4 at 10 °C, 6.25 at 15 °C."""
    assert [rate(FRESH, c) for c in (0, 5, 10, 15)] == pytest.approx([1.0, 2.25, 4.0, 6.25])
    assert rate(FRESH, -12) == 0.0


def test_rrs1_twenty_one_days_at_5_are_47_at_0():
    """Published: 47.2 d with the square root and Tmin -10 °C, 46.4 d with Arrhenius and 100 kJ/mol.

    The printed 46.4 is met within 0.1 d: the page names no gas constant and no zero of the scale.
    """
    assert 21 * rate(FRESH, 5) == pytest.approx(47.2, abs=0.06)
    arrhenius = SpoilageModel("any", "arrhenius", 100_000.0, "published example")
    assert 21 * rate(arrhenius, 5) == pytest.approx(46.4, abs=0.1)


@pytest.mark.parametrize(
    ("first_c", "then_c", "ends_d"), [(5, 15, 20), (15, 5, 24)], ids=["A: cold first", "B: warm first"]
)
def test_rrs2_smoked_salmon_that_changed_its_place(first_c, then_c, ends_d):
    """Dalgaard et al. 2004: 8.9 d at the first temperature, then the second; predicted ends 20 and 24 d."""
    used = days_at_zero(SMOKED_SALMON, *steps((8.9 * 24, first_c), ((ends_d - 8.9) * 24, then_c)))
    # Both histories end the same life; the printed days are whole, which is worth 1.6 d at 5 °C.
    assert used == pytest.approx(56.8, abs=1.0)


def test_rrs3_fish_of_fourteen_days_has_three_left_at_4():
    """Derived from (1 + 0.1 T)²: 3 d at 4 °C and 6 h at 15 °C use 5.88 and 1.5625 d of 14."""
    assert days_at_zero(FRESH, *steps((72, 4))) == pytest.approx(5.88)
    assert days_at_zero(FRESH, *steps((6, 15))) == pytest.approx(1.5625)
    left = 14 - days_at_zero(FRESH, *steps((72, 4), (6, 15)))
    assert left == pytest.approx(6.56, abs=0.005)
    assert left / rate(FRESH, 4) == pytest.approx(3.35, abs=0.005)


def test_every_model_says_where_it_comes_from():
    assert "from memory" in FRESH.source
    assert "DTU Aqua" in SMOKED_SALMON.source
