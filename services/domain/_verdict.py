"""What to do about the food in a unit, worst last."""

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    """The ladder of design decision "verdicts": unknown outranks good, only people lower it."""

    OK = "ok"
    WATCH = "watch"
    NO_DATA = "no_data"
    HOLD = "hold"
    DISCARD_ADVISED = "discard_advised"

    @property
    def rank(self) -> int:
        """Position on the ladder, 0 for ok."""
        return _ORDER.index(self)


_ORDER = tuple(Verdict)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the highest verdict on the ladder; ``no_data`` when there is none to choose from."""
    return max(verdicts, key=lambda verdict: verdict.rank, default=Verdict.NO_DATA)
