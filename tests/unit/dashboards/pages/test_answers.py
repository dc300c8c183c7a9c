from typing import get_args

from dashboards import foodwords
from dashboards.pages.answers import answer_views, mark_words, strictest_words
from services.domain import FoodAnswer, FoodQuestion, MarkMinutes


def answer(question, said, source="a text (read)"):
    return FoodAnswer(question=question, answer=said, source=source, why="above 4.44 °C for 2 h")


FOUND = (answer("keep", "no"), answer("keep", "yes", "another"), answer("freeze_again", "unknown"))


def test_every_question_and_answer_has_words():
    for question in get_args(FoodQuestion):
        for said in ("yes", "no", "unknown"):
            (view,) = answer_views([answer(question, said)], told="")
            assert view.question
            assert view.answer
    assert set(foodwords.ANSWERS) == set(foodwords.SHORT_ANSWERS)


def test_texts_stand_side_by_side_under_one_question_with_their_sources():
    views = answer_views(FOUND, told="")
    assert [v.question for v in views] == ["Keep and use it?", "", "Freeze it again?"]
    assert [v.source for v in views] == ["A text (read).", "Another.", "A text (read)."]
    assert views[1].answer == "Yes, by this text"


def test_a_list_tells_the_strictest_answer_only():
    assert strictest_words(FOUND) == "Keep and use it? no. Freeze it again? not known."
    assert strictest_words((answer("presumed_cold", "no"),)) == ""


def test_marks_are_told_once_something_was_above_one_of_them():
    cold = (MarkMinutes(above_c=-18.0, minutes=0.0), MarkMinutes(above_c=-12.0, minutes=0.0))
    assert mark_words(cold) == ""
    warm = mark_words((MarkMinutes(above_c=-18.0, minutes=90.0), MarkMinutes(above_c=-12.0, minutes=0.0)))
    assert warm == "\N{MINUS SIGN}18 °C: 90 min; \N{MINUS SIGN}12 °C: 0 min; since it was frozen"


def test_why_the_verdict_stands_is_not_told_once_more_in_each_answer():
    held = answer("keep", "unknown").model_copy(update={"why": "on hold, probe first: 133 min above 4 °C"})
    (short,) = answer_views([held], told="133 min above 4 °C")
    assert short.why == "On hold, probe first."
    for other in ("", "5 h above 4 °C"):
        (whole,) = answer_views([held], told=other)
        assert whole.why == "On hold, probe first: 133 min above 4 °C."
