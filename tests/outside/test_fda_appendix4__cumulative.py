"""FDA Fish and Fishery Products Hazards and Controls Guidance, Appendix 4.

Introduction read in the copy of 2020: cumulative times at internal temperature, no interpolation, rules (a),
(b). The hours of rule (c) and all hours of Table A-2 are from memory. Minutes derived on straight lines.
"""

import pytest

from services.analytics.food.hazard_index import indexes, raw_fish, worst_index
from tests.helpers.histories import lines, steps

pytestmark = pytest.mark.outside

CASES = [
    ("A2-1", [(0, 4), (60, 10), (240, 10), (300, 4)], 0.0, 0.0, {"b", "c"}),
    ("A2-2", [(0, 8), (30, 14), (270, 14), (300, 8)], 280.0, 0.0, {"c"}),
    ("A2-3", [(0, 8), (20, 28), (140, 28), (160, 8)], 156.0, 133.8, set()),
    ("A2-4", [(0, 10), (60, 20), (70, 25), (160, 25), (170, 20), (220, 10)], 220.0, 105.6, {"b"}),
]


@pytest.mark.parametrize(
    ("name", "points", "warm_min", "hot_min", "within"), CASES, ids=[case[0] for case in CASES]
)
def test_worked_cases(name, points, warm_min, hot_min, within):
    found = raw_fish(*lines(*points))
    assert found.warm_h * 60 == pytest.approx(warm_min, abs=0.05), name
    assert found.hot_h * 60 == pytest.approx(hot_min, abs=0.05), name
    assert set(found.within) == within, name


def index_of(name, history):
    found = indexes(*history)
    return next(index for organism, index in found.items() if organism.startswith(name))


@pytest.mark.parametrize(
    ("name", "food_c", "hours"),
    [
        ("Listeria", 4.0, 168),
        ("Listeria", 10.0, 24),
        ("Listeria", 10.3, 7),
        ("Listeria", 25.0, 3),
        ("Listeria", 31.0, 1),
        ("Salmonella", 8.0, 48),
        ("Salmonella", 20.0, 5),
        ("Salmonella", 30.0, 2),
        ("Staphylococcus", 15.0, 12),
        ("Yersinia", 0.0, 24),
    ],
)
def test_the_time_of_one_band_is_an_index_of_one(name, food_c, hours):
    """Table A-2 (hours from memory); between two printed bands the next one up counts."""
    assert index_of(name, steps((hours, food_c))) == pytest.approx(1.0)


def test_below_its_lowest_temperature_nothing_counts():
    assert index_of("Salmonella", steps((1000, 5.2))) == 0.0
    assert index_of("Listeria", steps((1000, -0.4))) == 0.0


def test_several_bands_add_their_shares():
    """Ours, the table gives no rule: half the time of one band and half of another make one."""
    history = lines((0, 8), (12 * 60, 8), (12 * 60 + 1e-3, 20), (12 * 60 + 210, 20))
    assert index_of("Listeria", history) == pytest.approx(0.5 + 0.5, abs=0.001)


def test_the_worst_of_all_is_named():
    index, name = worst_index(*steps((2, 30.0)))
    assert index == pytest.approx(2.0)
    assert "Vibrio" in name or name.startswith("V.")
