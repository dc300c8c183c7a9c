"""What published texts answer about food that warmed or stood without power, in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import foodwords, text
from dashboards.language import _
from services.domain import FoodAnswer, FoodQuestion, MarkMinutes


@dataclass(frozen=True, slots=True)
class AnswerView:
    """One text's answer to one question, in words."""

    question: str
    """Empty where it is that of the answer before."""
    answer: str
    why: str
    source: str


def answer_views(answers: Sequence[FoodAnswer], *, told: str) -> list[AnswerView]:
    """Return every answer, in the order they came: by question, the strictest first.

    `told` is why the verdict stands as it does, which the page has said already: no answer repeats it.
    """
    before = [None, *(answer.question for answer in answers)]
    return [
        AnswerView(
            question="" if answer.question == last else foodwords.QUESTIONS[answer.question],
            answer=foodwords.ANSWERS[answer.answer],
            why=text.sentence(answer.why.removesuffix(f": {told}") if told else answer.why),
            source=text.sentence(answer.source),
        )
        for answer, last in zip(answers, before, strict=False)
    ]


def strictest_words(answers: Sequence[FoodAnswer]) -> str:
    """Return the strictest answer to each question, as short as a list has room for."""
    strictest: dict[FoodQuestion, FoodAnswer] = {}
    for answer in answers:
        strictest.setdefault(answer.question, answer)
    return " ".join(
        f"{foodwords.QUESTIONS[question]} {foodwords.SHORT_ANSWERS[answer.answer]}."
        for question, answer in strictest.items()
        if question != "presumed_cold"
    )


def mark_words(marks: Sequence[MarkMinutes]) -> str:
    """Return the minutes above each mark of frozen food, where there are any."""
    if not any(mark.minutes > 0 for mark in marks):
        return ""
    told = (f"{text.degrees(mark.above_c, 0)}: {text.minutes(mark.minutes)}" for mark in marks)
    return _("%(marks)s; since it was frozen", marks="; ".join(told))
