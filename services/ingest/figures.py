"""What ingest says of itself: counts, how long commits take, how far behind it is, what is wrong."""

from bisect import bisect_left
from collections.abc import Mapping
from typing import Any

COUNTED = (
    "received",
    "redelivered",
    "stored",
    "duplicates",
    "conflicts",
    "rejected",
    "waiting",
    "faults",
    "capped",
    "refused_logins",
)
COMMIT_BOUNDS_S = (0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)
"""Upper ends of the classes commits are counted in; the last class has none."""

CUT_OFF_AFTER_S = 10.0
"""How long ingest may be without a broker before that is trouble: a broker that restarts is back by then."""
NO_BROKER = "The broker does not answer: new readings wait in the units."
"""What the sign of life says then."""


class Figures:
    """Numbers that only grow, and the state of the moment."""

    def __init__(self) -> None:
        """Begin at nought."""
        self.counters = dict.fromkeys(COUNTED, 0)
        self.trouble: str | None = None
        """A sentence while nothing can be taken."""
        self._commits = [0] * (len(COMMIT_BOUNDS_S) + 1)
        self._commit_sum_s = 0.0
        self._lag_ms = 0
        self._cut_off_s: float | None = None
        """Since when there is no broker, on a clock that is never set."""

    def committed(self, took_s: float, *, lag_ms: int) -> None:
        """Note a durable batch, and how long its oldest message had been here by then."""
        self._commits[bisect_left(COMMIT_BOUNDS_S, took_s)] += 1
        self._commit_sum_s += took_s
        self._lag_ms = lag_ms

    def said(self, *, queue: int, connected: bool, moment_s: float) -> Mapping[str, Any]:
        """Return everything as it goes into the sign of life; `moment_s` is of a clock that is never set."""
        if connected:
            self._cut_off_s = None
        elif self._cut_off_s is None:
            self._cut_off_s = moment_s
        cut_off = self._cut_off_s is not None and moment_s - self._cut_off_s >= CUT_OFF_AFTER_S
        return {
            "counted": self.counters,
            "commits": self._commits,
            "commit_bounds_s": COMMIT_BOUNDS_S,
            "commit_sum_s": round(self._commit_sum_s, 6),
            "lag_ms": self._lag_ms,
            "queue": queue,
            "connected": connected,
            "trouble": NO_BROKER if self.trouble is None and cut_off else self.trouble,
        }
