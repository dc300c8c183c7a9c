"""What is refused of food that warmed, with the reason a person needs."""

import pytest

from services.domain import FoodAnswer, Verdict
from services.errors import Refused
from services.records.batchrules import only_discard, refuse_freezing_again
from tests.helpers.food_cards import food_card


def again(answer, source="a text"):
    return FoodAnswer(question="freeze_again", answer=answer, source=source, why="it thawed")


def test_freezing_again_is_refused_where_any_text_says_no():
    for answers in ((again("no"),), (again("no"), again("yes", "another"))):
        with pytest.raises(Refused, match="may not be frozen again: it thawed \\(a text\\)"):
            refuse_freezing_again(food_card(answers=answers))


def test_freezing_again_is_a_person_s_decision_where_none_does():
    kept = FoodAnswer(question="keep", answer="no", source="a text", why="too warm")
    for answers in ((), (kept,), (again("unknown"), again("yes", "another"))):
        refuse_freezing_again(food_card(answers=answers))


def test_a_refusal_tells_what_cooking_does_not_mend():
    card = food_card(standing=Verdict.DISCARD_ADVISED, not_mended=("histamine stays",))
    assert only_discard(card).endswith("Cooking does not mend it: histamine stays.")
    assert only_discard(food_card()) == "Discard is advised: this food may only be discarded."
