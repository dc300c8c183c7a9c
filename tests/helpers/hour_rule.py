"""The rule of the house for counting hours, for units that send as often as a test says."""

from deploy.hourrule import HourRule
from services.timebase import MINUTE_MS


class RuleFor(HourRule):
    """Knows no records: every unit's readings may lie so many minutes apart."""

    def __init__(self, reach_min: float) -> None:
        """Take the longest stretch a line is drawn across."""
        self._reach_min = reach_min

    def reach_ms(self, unit: str) -> float:
        """Return the same for every unit."""
        del unit
        return self._reach_min * MINUTE_MS
