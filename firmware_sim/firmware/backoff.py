"""How long a unit waits before it knocks again."""

import random

FIRST_S = 0.5
AT_MOST_S = 60.0
"""Bounds of the pause between attempts, before jitter. [s] Judgement."""

STEADY_S = 30.0
"""A connection that holds this long ends the series of failures. [s] Judgement."""

SPREAD_S = 10.0
"""After a connection that stood, the first attempt comes within this long, at random: a broker that starts
again, or a network that comes back, is there for all units in the same instant. [s] Judgement."""


class BackOff:
    """Doubling pauses with jitter, so that a fleet that lost its broker does not come back as one."""

    def __init__(self, seed: str) -> None:
        """Spread by unit: give each another seed."""
        self._random = random.Random(seed)  # noqa: S311 - spreads reconnects, no secret
        self._pause_s = FIRST_S
        self.next_s = 0.0
        """Earliest moment of the next attempt, on the caller's clock."""

    def attempted(self, at_s: float) -> None:
        """Take note of an attempt, successful or not."""
        self.next_s = at_s + self._pause_s * self._random.uniform(0.5, 1.5)
        self._pause_s = min(2.0 * self._pause_s, AT_MOST_S)

    def held(self, for_s: float) -> None:
        """Take note of a connection that has stood for some time."""
        if for_s >= STEADY_S:
            self._pause_s = FIRST_S

    def lost(self, at_s: float) -> None:
        """Take note that a connection that stood is gone."""
        self.next_s = max(self.next_s, at_s + self._random.uniform(0.0, SPREAD_S))
