"""Which sample numbers of one boot are held: a mark from 0 without a gap, and islands above it."""

from bisect import bisect_right
from collections.abc import Iterable


class Held:
    """The set of held numbers of one boot, kept small because units mostly count upwards."""

    __slots__ = ("_ends", "_starts", "mark")

    def __init__(self, mark: int = -1) -> None:
        """Start with every number from 0 to `mark` held."""
        self.mark = mark
        self._starts: list[int] = []
        self._ends: list[int] = []

    @property
    def newest(self) -> int:
        """The highest number held, -1 when none is."""
        return self._ends[-1] if self._ends else self.mark

    def holds(self, sq: int) -> bool:
        """Return whether a number is held."""
        if sq <= self.mark:
            return sq >= 0
        if not self._ends or sq > self._ends[-1]:
            return False
        place = bisect_right(self._starts, sq) - 1
        return place >= 0 and sq <= self._ends[place]

    def add(self, first: int, last: int) -> None:
        """Hold every number from `first` to `last`, both inclusive."""
        if first <= self.mark + 1 and not self._starts:
            self.mark = max(self.mark, last)
            return
        low = bisect_right(self._starts, first)
        if low and self._ends[low - 1] >= first - 1:
            low -= 1
            first = self._starts[low]
        high = bisect_right(self._starts, last + 1)
        if high > low:
            last = max(last, self._ends[high - 1])
        self._starts[low:high] = [first]
        self._ends[low:high] = [last]
        if self._starts[0] <= self.mark + 1:
            self.mark = max(self.mark, self._ends[0])
            del self._starts[0], self._ends[0]

    def add_each(self, numbers: Iterable[int]) -> None:
        """Hold single numbers."""
        for sq in numbers:
            self.add(sq, sq)

    def gaps(self) -> list[tuple[int, int]]:
        """Return the stretches missing below the newest number, both ends inclusive."""
        missing = []
        after = self.mark
        for start, end in zip(self._starts, self._ends, strict=True):
            missing.append((after + 1, start - 1))
            after = end
        return missing
