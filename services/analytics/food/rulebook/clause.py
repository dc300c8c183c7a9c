"""What one clause of a published rule says, and a document's clauses together."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from services.domain import FoodClass

Quantity = Literal["core", "surface", "air", "elapsed", "days"]
Reading = Literal["read in a copy", "read in a secondary copy", "from memory", "no source"]
AppliedBy = Literal[
    "limit", "spot_check", "cooling", "elapsed", "thawing", "date_mark", "outage", "cooking", "shown"
]
"""Which part of the service works with a clause; ``shown``: it is printed, nothing is computed from it."""

CHILLED: tuple[FoodClass, ...] = (
    "poultry",
    "fish",
    "offal",
    "milk",
    "mince",
    "red_meat",
    "game",
    "cooked",
    "other_chilled",
)
FROZEN: frozenset[FoodClass] = frozenset(("frozen_fish", "ice_cream", "frozen_other"))

STRICT = "a reading beyond the limit, from the moment it is crossed; equal to the limit complies"
NO_START = "whenever the food is held; no grace time"


def celsius(fahrenheit: float) -> float:
    """Return degrees Fahrenheit in °C, exactly; printed pairs are rounded."""
    return fahrenheit / 1.8 - 32.0 / 1.8


def no_time(who: str) -> str:
    """Return where the ladder comes from under a document that allows no time beyond its limit."""
    return (
        f"this project's decision ({who} allows no time at all): hold at 120 min, at 60 min in air above "
        "32.2 °C, discard advised at 240 min, all added up"
    )


@dataclass(frozen=True, slots=True)
class Clause:
    """One number of a rule: what it is about, how its clock counts, and where it stands."""

    id: str
    food_classes: tuple[FoodClass, ...]
    """Empty: whatever food the clause's clock was started for."""
    quantity: Quantity
    operator: Literal["<=", ">=", "<"]
    limit: float
    unit: Literal["°C", "K", "min", "d"]
    counts: str
    """What the clock counts."""
    starts: str
    """When it starts."""
    at_limit: str
    """What happens when the limit is passed."""
    section: str
    read: Reading
    read_on: str
    """ISO day on which the text, or this project's note of it, was last looked at."""
    edition: str
    applied_by: AppliedBy = "limit"
    never_resets: bool = True
    """True: what was counted stays counted, whatever happens later."""
    words: str = ""
    """The number in words as it stands beside a result."""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """One document: its clauses, and the minutes its ladder allows beyond a cold limit.

    The ladder (hold, discard) is this project's decision for documents that allow no time at all;
    where the document has minutes of its own they stand here.
    """

    name: str
    document: str
    clauses: tuple[Clause, ...]
    ladder_source: str
    hold_min: float = 120.0
    discard_min: float = 240.0
    hot_hold_min: float = 60.0
    hot_discard_min: float = 240.0
    lawful_min: float = 0.0
    """Minutes beyond a chilled limit that the document itself allows, all added up."""

    @property
    def limits_c(self) -> Mapping[FoodClass, float]:
        """The core limit by class; a class the document gives no number for is absent."""
        return {c: row.limit for row in self.core_limits for c in row.food_classes}

    @property
    def core_limits(self) -> tuple[Clause, ...]:
        """The clauses that are lines on a curve of temperature."""
        return tuple(row for row in self.clauses if row.applied_by == "limit")

    def clause_of(self, food_class: FoodClass) -> Clause | None:
        """Return the clause a class's core limit comes from."""
        return next((row for row in self.core_limits if food_class in row.food_classes), None)

    def source_of(self, food_class: FoodClass) -> str:
        """Return document, section and how it was read for a class's core limit.

        Raises
        ------
        KeyError
            If the document gives no number for the class.
        """
        row = self.clause_of(food_class)
        if row is None:
            raise KeyError(food_class)
        return self.source(row)

    def source(self, row: Clause) -> str:
        """Return document, section and how one clause was read."""
        told = [f"{self.document}, {row.section}"]
        if row.words:
            told.append(row.words)
        return f"{': '.join(told)} ({row.read})"
