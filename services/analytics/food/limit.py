"""One temperature food is held to, with its ladder of minutes; where they come from stands with each."""

from dataclasses import dataclass
from typing import Literal

HOLD_MIN = 120.0
DISCARD_MIN = 240.0
"""Cumulative minutes. FSANZ 2-hour/4-hour rule (Standard 3.2.2): under 2 h back to the fridge, 2-4 h
use now, over 4 h throw away; exactly on a limit counts as reached (this project's decision)."""
HOT_HOLD_MIN = 60.0
HOT_AIR_C = 90.0 / 1.8 - 32.0 / 1.8
"""USDA FSIS: 1 h instead of 2 h where the air around the food is above 90 °F (32.2 °C)."""
FREEZER_MARKS_C = (-18.0, -15.0, -12.0, -5.0, 0.0)
"""Minutes above each are shown apart for freezers, without a verdict."""
HALF_MILLI_K = 0.0005
"""Readings are kept in milli-degrees: this much beside a limit makes a reading on it count as beyond."""

Cap = Literal["watch", "hold", "discard_advised"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One temperature a unit is held to, and what time beyond it leads to."""

    rule: str
    limit_c: float
    source: str
    below: bool = False
    """True where time under the limit counts."""
    frozen: bool = False
    hold_min: float = HOLD_MIN
    hot_hold_min: float = HOT_HOLD_MIN
    discard_min: float | None = DISCARD_MIN
    hot_discard_min: float | None = DISCARD_MIN
    cap: Cap = "discard_advised"
    words: str = ""
    """What is added to the reason when the limit was passed."""
    law: bool = True
    """False where no law asks for this temperature: whether it was kept is then not said."""
    lawful_min: float = 0.0
    """Minutes beyond it that the law itself allows."""
    guard: bool = False
    """True for the second line, a sensor's error inside a limit."""
    at_counts: bool = False
    """True where a reading on the limit counts as beyond it."""
    ladder_source: str = ""
    """Where the minutes to hold and discard come from."""

    @property
    def counted_from_c(self) -> float:
        """The temperature strictly beyond which time counts, in °C."""
        if not self.at_counts:
            return self.limit_c
        return self.limit_c + (HALF_MILLI_K if self.below else -HALF_MILLI_K)


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit of one unit, and what had to be assumed to name them."""

    limits: tuple[Limit, ...]
    assumed: tuple[str, ...]

    @property
    def food_limit_c(self) -> float:
        """The lowest upper limit: the one that decides, in °C."""
        return min(limit.limit_c for limit in self.limits if not limit.below and not limit.guard)
