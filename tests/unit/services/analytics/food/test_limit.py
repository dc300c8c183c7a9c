import pytest

from services.analytics.food.limit import Limit, Limits


def test_a_reading_on_the_limit_complies_unless_the_limit_itself_counts():
    assert Limit("r", 5.0, "s").counted_from_c == 5.0
    assert Limit("r", 5.0, "s", at_counts=True).counted_from_c == pytest.approx(4.9995)
    assert Limit("r", -0.5, "s", below=True, at_counts=True).counted_from_c == pytest.approx(-0.4995)


def test_the_lowest_upper_limit_decides_whatever_second_lines_there_are():
    limits = (
        Limit("a", 5.0, "s"),
        Limit("a", 8.0, "s"),
        Limit("a", 2.0, "s", below=True),
        Limit("a", 4.5, "s", guard=True),
    )
    assert Limits(limits, ()).food_limit_c == 5.0
