import pytest

from dashboards.pages.unit import _answers, _cell, _ran, move_words
from services.api.schemas import ChannelBins
from services.domain import Move
from tests.helpers.larder import analysis, card


def test_a_cell_shows_the_range_and_never_a_number_for_nothing():
    bins = ChannelBins(t_ms=(0, 1, 2), min=(1.04, None, 3.0), max=(2.96, None, 3.01), count=(2, 0, 2))
    assert [_cell(bins, i, 1) for i in range(3)] == ["1.0 to 3.0", "no reading", "3.0"]
    assert _cell(None, 0, 1) == ""


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(0.0, 0.0, "no"), (1.0, 1.0, "throughout"), (0.0, 1.0, "at times"), (None, None, "not known")],
)
def test_the_table_says_whether_the_compressor_ran(low, high, words):
    assert _ran(low, high) == words


@pytest.mark.parametrize("action", Move.model_fields["action"].annotation.__args__)
def test_every_move_has_words_with_its_caution(action):
    words = move_words(action, 40.0, "min", 3.14)
    assert "40 min" in words
    assert words.endswith("gains 3.1 h")
    cautions = {
        "charge": "open air",
        "set_point": "never for poultry, fish or medicine",
        "share": "isolated first",
    }
    assert cautions.get(action, "") in words


def test_a_move_that_costs_says_so():
    assert move_words("merge", 1.0, "cabinet", -0.5).endswith("costs 0.5 h")


def test_the_law_and_what_to_do_are_two_answers():
    found = analysis(card(minutes_above=20.0)).exposure
    assert _answers(card(), found) == [("The law", "not kept"), ("What to do", "nothing to do")]
    assert _answers(card(state="off"), ()) == [("The law", "no rule applies"), ("What to do", "Not in use")]
