"""What published texts answer about food that warmed or stood without power."""

from typing import Literal

from services.domain._frozen import Frozen

FoodQuestion = Literal["presumed_cold", "sell_as_frozen", "freeze_again", "keep"]
"""Still cold though nobody measured it; sold as frozen; frozen again; kept to be used."""


class FoodAnswer(Frozen):
    """One text's answer to one question; it lowers no verdict, and a named person decides."""

    question: FoodQuestion
    answer: Literal["yes", "no", "unknown"]
    source: str
    why: str


class MarkMinutes(Frozen):
    """Minutes that food kept as frozen food was above one temperature."""

    above_c: float
    minutes: float
