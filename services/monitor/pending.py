"""What waits to be judged: units the feed or a person touched, and units that time has touched."""

from collections.abc import Iterable
from dataclasses import dataclass

from services.store import Change
from services.timebase import MINUTE_MS, SECOND_MS

LIVE_EVERY_MS = 1 * SECOND_MS
LATE_EVERY_MS = 5 * SECOND_MS
"""A unit whose past is arriving is judged less often: its packs come in bunches."""
SILENT_EVERY_MS = 60 * SECOND_MS
"""Silence is time passing."""
LATE_AFTER_MS = 10 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class Touch:
    """The stretch of time in which a unit's samples changed, and the first change that did so."""

    t_min_ms: int
    t_max_ms: int
    change_no: int

    def with_(self, change: Change) -> "Touch":
        """Return the stretch widened by one more change."""
        return Touch(
            min(self.t_min_ms, change.t_min_ms),
            max(self.t_max_ms, change.t_max_ms),
            min(self.change_no, change.change_no),
        )


class Pending:
    """Decides whose turn it is; many changes of one unit become one assessment."""

    def __init__(self, position: int) -> None:
        """Start after a place in the change feed."""
        self.read_to = position
        self._touches: dict[str, Touch] = {}
        self._urgent: set[str] = set()
        self._judged_ms: dict[str, int] = {}
        self._told_ms: dict[str, int] = {}
        """When samples of each unit were last told; a look that found none does not count."""

    def touch(self, changes: Iterable[Change], known: frozenset[str]) -> None:
        """Take in changes; those of units nobody described are passed over."""
        for change in changes:
            self.read_to = max(self.read_to, change.change_no)
            if change.unit in known:
                before = self._touches.get(change.unit)
                fresh = Touch(change.t_min_ms, change.t_max_ms, change.change_no)
                self._touches[change.unit] = fresh if before is None else before.with_(change)

    def urge(self, units: Iterable[str]) -> None:
        """Have units judged at once."""
        self._urgent.update(units)

    def due(self, known: frozenset[str], now_ms: int) -> list[str]:
        """Return the units whose turn it is, what is urgent first, then those that waited longest."""
        return sorted(
            (unit for unit in known if self._is_due(unit, now_ms)),
            key=lambda unit: (unit not in self._urgent, self._judged_ms.get(unit, 0), unit),
        )

    def _is_due(self, unit: str, now_ms: int) -> bool:
        judged_ms = self._judged_ms.get(unit)
        if judged_ms is None or unit in self._urgent or judged_ms - now_ms > SILENT_EVERY_MS:
            return True  # judged in the future: the clock was set back
        touch = self._touches.get(unit)
        if touch is None:
            return now_ms - judged_ms >= SILENT_EVERY_MS
        late = touch.t_max_ms < now_ms - LATE_AFTER_MS
        return now_ms - self._told_ms.get(unit, 0) >= (LATE_EVERY_MS if late else LIVE_EVERY_MS)

    def is_urgent(self, unit: str) -> bool:
        """Return whether a unit is to be judged in full at once."""
        return unit in self._urgent or unit not in self._judged_ms

    def wants_all(self, unit: str, now_ms: int) -> bool:
        """Return whether a minute has passed since everything of a unit was looked at."""
        return not 0 <= now_ms - self._judged_ms.get(unit, now_ms - SILENT_EVERY_MS) < SILENT_EVERY_MS

    def touch_of(self, unit: str) -> Touch | None:
        """Return what the feed said of a unit since it was last judged."""
        return self._touches.get(unit)

    def judged(self, unit: str, now_ms: int) -> None:
        """Take a unit off the list: its result is kept."""
        touched = self._touches.pop(unit, None) is not None
        if touched or self._told_ms.get(unit, 0) > now_ms:
            self._told_ms[unit] = now_ms
        self._urgent.discard(unit)
        self._judged_ms[unit] = now_ms

    def carried(self, unit: str, now_ms: int) -> None:
        """Take what touched a unit off the list: it was judged without a look at everything."""
        self._touches.pop(unit, None)
        self._told_ms[unit] = now_ms

    def put_off(self, unit: str, now_ms: int) -> None:
        """Try a unit again later, without forgetting what touched it."""
        self._urgent.discard(unit)
        self._judged_ms[unit] = self._told_ms[unit] = now_ms + SILENT_EVERY_MS

    def position(self, without: Iterable[str] = ()) -> int:
        """Return the place in the feed up to which nothing waits, once `without` are judged."""
        done = set(without)
        waiting = [t.change_no for unit, t in self._touches.items() if unit not in done]
        return min([self.read_to, *(number - 1 for number in waiting)])
