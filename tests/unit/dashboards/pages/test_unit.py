import pytest

from dashboards.pages.unit import _answers, _cell, _ran
from services.api.schemas import ChannelBins
from tests.helpers.larder import analysis, card


def test_a_cell_shows_the_range_and_never_a_number_for_nothing():
    low, high = (1.04, None, 3.0), (2.96, None, 3.01)
    bins = ChannelBins(t_ms=(0, 1, 2), min=low, max=high, mean=low, count=(2, 0, 2))
    assert [_cell(bins, i, 1) for i in range(3)] == ["1.0 to 3.0", "no reading", "3.0"]
    assert _cell(None, 0, 1) == ""


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(0.0, 0.0, "no"), (1.0, 1.0, "throughout"), (0.0, 1.0, "at times"), (None, None, "not known")],
)
def test_the_table_says_whether_the_compressor_ran(low, high, words):
    assert _ran(low, high) == words


def test_the_law_and_what_to_do_are_two_answers():
    found = analysis(card(minutes_above=20.0)).exposure
    assert _answers(card(), found) == [
        ("law", "The law", "not kept"),
        ("todo", "What to do", "nothing to do"),
    ]
    assert _answers(card(state="off"), ()) == [
        ("law", "The law", "no rule applies"),
        ("todo", "What to do", "Not in use"),
    ]
