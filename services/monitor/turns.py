"""What one step does: live samples are told first, then everything is looked at for a short while."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import islice

LOOKS_S = 0.15
"""How long one step looks at everything of one unit after the other: live samples wait behind it."""
BATCH = 16
"""Units judged in full before their results are written: a write stays within 50 ms (design 4)."""
ONE_IN = 4
"""However much is urgent, every fourth unit judged in full is one whose turn it is."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do with the units whose turn it is, what may move a verdict first."""

    carried: list[str] = field(default_factory=list)
    at_once: list[str] = field(default_factory=list)
    in_turn: list[str] = field(default_factory=list)

    def looks(self, asked: Sequence[str]) -> list[str]:
        """Return the units to judge in full, in this order; `asked` are those that could not be carried."""
        first, second = [*asked, *self.at_once], iter(self.in_turn)
        found = []
        for begin in range(0, len(first), ONE_IN - 1):
            found += first[begin : begin + ONE_IN - 1]
            found += islice(second, 1)
        return [*found, *second]


class Pace:
    """How many units one step has time to judge in full."""

    def __init__(self, seconds: Callable[[], float] = time.perf_counter) -> None:
        """Measure time by a clock that only goes forward."""
        self._seconds = seconds
        self._end_s = 0.0
        self.room = BATCH
        """About as many as there was time for in the last step."""

    def begin(self) -> None:
        """Begin to look."""
        self._end_s = self._seconds() + LOOKS_S

    def is_over(self, done: int) -> bool:
        """Return whether to write down what was found; at least one unit is judged."""
        return done >= BATCH or (done > 0 and self._seconds() >= self._end_s)

    def ended(self, done: int) -> None:
        """Take note of how many were judged."""
        self.room = max(1, done) if self._seconds() >= self._end_s else min(BATCH, self.room + 1)
