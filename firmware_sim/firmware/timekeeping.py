"""What time a unit believes it is, and how well it knows.

Uptime always runs and never jumps. The time of day is uptime plus the moment of the boot, which a unit
learns from the network, or keeps over a loss of power when its clock has a battery of its own.
"""

from dataclasses import dataclass

UNSET, HOLDOVER, SYNCHRONISED = 0, 1, 2
"""Clock quality as it travels with each sample."""

HOLDOVER_AFTER_MS = 24 * 3_600_000
"""So long after the network last told the time it counts as kept, not as known. [ms] Judgement."""

STEP_OVER_MS = 2_000
"""A larger difference is a step of the clock, a smaller one drift that is left alone. [ms] Judgement."""


@dataclass
class Timekeeper:
    """The clock of one boot."""

    boot_at_ms: int | None = None
    """Time of day at uptime zero; None while the clock is not set. [ms since 1970-01-01 UTC]"""
    told_up_ms: int | None = None
    """Uptime when the network last told the time."""

    @property
    def is_set(self) -> bool:
        """Whether the time of day is known at all."""
        return self.boot_at_ms is not None

    def at(self, up_ms: int) -> int:
        """Return the time of day at an uptime; while the clock is not set, the uptime itself."""
        return up_ms if self.boot_at_ms is None else self.boot_at_ms + up_ms

    def quality(self, up_ms: int) -> int:
        """Return how well the time is known."""
        if self.boot_at_ms is None:
            return UNSET
        fresh = self.told_up_ms is not None and up_ms - self.told_up_ms <= HOLDOVER_AFTER_MS
        return SYNCHRONISED if fresh else HOLDOVER

    def hear(self, time_ms: int, up_ms: int) -> int | None:
        """Take the network's time; return by how much the clock stepped [ms], None when it did not.

        Setting a clock that was not set is no step.
        """
        before = self.boot_at_ms
        self.told_up_ms = up_ms
        if before is None:
            self.boot_at_ms = time_ms - up_ms
            return None
        step_ms = time_ms - before - up_ms
        if abs(step_ms) <= STEP_OVER_MS:
            return None
        self.boot_at_ms = time_ms - up_ms
        return step_ms
