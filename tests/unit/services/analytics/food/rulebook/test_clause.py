import pytest

from services.analytics.food.rulebook.clause import celsius, no_time
from services.analytics.food.rulebook.za_r638 import RULES as R638


def test_degrees_fahrenheit_are_turned_exactly():
    assert celsius(41.0) == pytest.approx(5.0)
    assert celsius(135.0) == pytest.approx(57.2222, abs=1e-4)


def test_a_class_has_the_clause_that_names_it():
    assert R638.limits_c["poultry"] == 4.0
    assert R638.clause_of("poultry").section == "regulation 8 and Annexure E"
    assert R638.clause_of("drinks") is None


def test_a_source_names_document_section_and_how_it_was_read():
    told = R638.source_of("frozen_other")
    for part in ("R638 of 22 June 2018", "Annexure E", "-12 °C", "read in a copy"):
        assert part in told
    with pytest.raises(KeyError):
        R638.source_of("drinks")


def test_a_document_without_minutes_says_whose_the_ladder_is():
    assert "this project's decision (it allows no time" in no_time("it")
