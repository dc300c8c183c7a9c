import numpy as np
import pytest

from services.analytics.food.hazard_index import BANDS_SOURCE, TABLE_A2, indexes, raw_fish
from tests.helpers.histories import lines, steps


@pytest.mark.parametrize("bands", TABLE_A2, ids=lambda b: b.organism)
def test_an_index_never_falls_as_time_goes_on_or_food_warms(bands):
    edges = [bands.above_c, *(edge for edge, _ in bands.bands)]
    assert edges == sorted(edges)
    assert [hours for _, hours in bands.bands] == sorted((h for _, h in bands.bands), reverse=True)
    name = bands.organism
    found = [indexes(*steps((3, c)))[name] for c in np.arange(-5.0, 45.0, 0.5)]
    assert found == sorted(found)
    assert indexes(*steps((6, 25.0)))[name] == pytest.approx(2 * indexes(*steps((3, 25.0)))[name])


def test_hot_food_is_not_between():
    found = raw_fish(*steps((3, 60.0)))
    assert (found.warm_h, found.hot_h) == (0.0, 0.0)


def test_a_rule_for_warm_fish_is_no_rule_for_cold_fish():
    assert raw_fish(*steps((10, 4.0))).within == ("b", "c")
    assert raw_fish(*lines((0, 30), (60, 30))).within == ("a", "b")


def test_the_hours_say_that_they_are_from_memory():
    assert "from memory" in BANDS_SOURCE
