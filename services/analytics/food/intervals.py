"""Sets of moments as sorted, disjoint stretches of time, and how many minutes they hold."""

from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray
from services.timebase import MINUTE_MS


@dataclass(frozen=True, slots=True)
class Intervals:
    """Half-open stretches, sorted, disjoint and none empty; ends may fall between milliseconds."""

    start_ms: FloatArray
    end_ms: FloatArray

    @staticmethod
    def empty() -> "Intervals":
        """Return the set that holds no moment."""
        return Intervals(np.empty(0), np.empty(0))

    @staticmethod
    def of(start_ms: FloatArray, end_ms: FloatArray) -> "Intervals":
        """Return the union of any stretches; touching ones become one, empty ones go."""
        keep = end_ms > start_ms
        start_ms, end_ms = start_ms[keep], end_ms[keep]
        if start_ms.size < 2:  # noqa: PLR2004 - nothing to join
            return Intervals(start_ms, end_ms)
        order = np.argsort(start_ms, kind="stable")
        start_ms, reach = start_ms[order], np.maximum.accumulate(end_ms[order])
        fresh = np.concatenate(([True], start_ms[1:] > reach[:-1]))
        firsts = np.flatnonzero(fresh)
        return Intervals(start_ms[firsts], reach[np.append(firsts[1:], start_ms.size) - 1])

    def __len__(self) -> int:
        """Return how many stretches there are."""
        return int(self.start_ms.size)

    def joined(self, later: "Intervals") -> "Intervals":
        """Return the union with a set that lies wholly at or after the last start of this one."""
        if not len(later):
            return self
        if not len(self):
            return later
        return Intervals.of(
            np.concatenate((self.start_ms, later.start_ms)), np.concatenate((self.end_ms, later.end_ms))
        )

    def union(self, other: "Intervals") -> "Intervals":
        """Return what is in either set."""
        return Intervals.of(
            np.concatenate((self.start_ms, other.start_ms)), np.concatenate((self.end_ms, other.end_ms))
        )

    def since(self, t_ms: float) -> "Intervals":
        """Return the stretches that end after a moment, whole."""
        first = int(np.searchsorted(self.end_ms, t_ms, side="right"))
        return Intervals(self.start_ms[first:], self.end_ms[first:]) if first else self

    def clipped(self, start_ms: float, end_ms: float) -> "Intervals":
        """Return the part inside ``[start_ms, end_ms)``."""
        start, end = np.maximum(self.start_ms, start_ms), np.minimum(self.end_ms, end_ms)
        keep = end > start
        return Intervals(start[keep], end[keep])

    def without(self, other: "Intervals") -> "Intervals":
        """Return what is in this set and not in the other."""
        if not len(self) or not len(other):
            return self
        froms = np.concatenate(([-np.inf], other.end_ms))
        tos = np.concatenate((other.start_ms, [np.inf]))
        parts = [self.clipped(a, b) for a, b in zip(froms, tos, strict=True)]
        return Intervals(
            np.concatenate([p.start_ms for p in parts]), np.concatenate([p.end_ms for p in parts])
        )

    def minutes_between(self, start_ms: FloatArray | float, end_ms: FloatArray | float) -> FloatArray:
        """Return the minutes of the set inside each ``[start_ms, end_ms)``."""
        start, end = np.asarray(start_ms, dtype=np.float64), np.asarray(end_ms, dtype=np.float64)
        if not self.start_ms.size:
            return np.zeros(np.broadcast(start, end).shape)
        return np.maximum(0.0, self._ms_until(end) - self._ms_until(start)) / MINUTE_MS

    def _ms_until(self, t_ms: FloatArray) -> FloatArray:
        held = np.concatenate(([0.0], np.cumsum(self.end_ms - self.start_ms)))
        begun = np.searchsorted(self.start_ms, t_ms, side="left")
        over = np.where(begun > 0, np.maximum(0.0, self.end_ms[begun - 1] - t_ms), 0.0)
        return np.asarray(held[begun] - over)
