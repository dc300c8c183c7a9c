"""Bacteria on chilled chicken breast and in broth, 2 to 20 °C: the shape of the curves that order batches.

Data: "TheMulQuaBio, MIT" (Galarz, Fonseca, Prentice 2016; Stannard, Williams, Gibbs 1985); see SOURCE.md
beside the file. The chicken's unit is doubtful, so ratios between temperatures are used and no rates.
"""

from collections import defaultdict

import numpy as np
import pytest

from services.analytics.food.growth import LISTERIA_HAM, PSEUDOMONAS_BROTH
from services.analytics.food.ranking import use_first
from services.analytics.food.spoilage import FRESH
from tests.helpers.histories import HOUR_MS, steps
from tests.helpers.opendata import opendata_rows

pytestmark = [pytest.mark.outside, pytest.mark.opendata]


@pytest.fixture(scope="module")
def rates():
    """Return the steepest four-point slope of ln n by set and temperature, as SOURCE.md does."""
    curves = defaultdict(list)
    for row in opendata_rows("food_growth/growth_curves.csv"):
        if float(row["n_rel"]) > 0:
            key = (row["medium"], row["organism"], float(row["temp_c"]))
            curves[key].append((float(row["time_h"]), float(row["n_rel"])))
    found = defaultdict(dict)
    for (medium, organism, food_c), points in curves.items():
        time_h, count = np.array(sorted(points)).T
        slopes = [
            np.polyfit(time_h[k : k + 4], np.log(count[k : k + 4]), 1)[0] for k in range(time_h.size - 3)
        ]
        found[medium, organism][food_c] = max(slopes)
    return found


def test_the_file_is_the_one_described(rates):
    assert len(rates) == 13
    broth = rates["APT Broth", "Pseudomonas sp"]
    printed = {2.0: 0.047, 4.0: 0.066, 6.0: 0.110, 8.0: 0.104, 12.0: 0.299, 15.0: 0.281}
    assert broth == {c: pytest.approx(rate, abs=6e-4) for c, rate in printed.items()}


def test_every_set_follows_a_square_root(rates):
    """SOURCE.md: Tmin -9.2 to -4.2 °C, median -5.9, r² 0.92 to 0.995."""
    lowest = []
    for by_temperature in rates.values():
        food_c = np.array(sorted(by_temperature))
        root = np.sqrt([by_temperature[c] for c in food_c])
        slope, start = np.polyfit(food_c, root, 1)
        lowest.append(-start / slope)
        assert np.corrcoef(food_c, root)[0, 1] ** 2 > 0.91
    assert np.median(lowest) == pytest.approx(-5.9, abs=0.05)
    # The models used here enclose what was measured.
    assert min(lowest) > -10.0
    assert max(lowest) < LISTERIA_HAM.tmin_c
    assert min(lowest) < PSEUDOMONAS_BROTH.tmin_c < max(lowest)


@pytest.mark.parametrize("food_c", [10.0, 15.0, 20.0])
def test_measured_ratios_lie_between_the_two_curves_that_order(rates, food_c):
    """Warm against 4 °C: never flatter than spoilage of fresh food, never steeper than Listeria on ham."""
    at = np.array([food_c])
    flat = float(FRESH.relative_rate(at)[0] / FRESH.relative_rate(np.array([4.0]))[0])
    steep = float(LISTERIA_HAM.ratio(at, reference_c=4.0)[0])
    measured = [by[food_c] / by[4.0] for by in rates.values() if food_c in by and 4.0 in by]
    assert len(measured) >= 12
    assert flat < min(measured)
    assert max(measured) < steep


def test_the_order_of_use_is_the_order_of_what_grew(rates):
    """A day at each temperature: the warmer batch comes first, as more grew in it in every set."""
    by_score = [
        use_first("poultry", *steps((24, c)), as_of_ms=24 * HOUR_MS).score
        for c in (4.0, 7.0, 10.0, 15.0, 20.0)
    ]
    assert by_score == sorted(by_score)
    for by_temperature in rates.values():
        warm = [by_temperature[c] for c in (4.0, 10.0, 15.0, 20.0) if c in by_temperature]
        assert warm == sorted(warm)
