"""Days of machines as one person sees them: those of their places."""

from collections.abc import Callable, Mapping, Sequence

from services.api.healthport import Used
from services.api.ports import BookOfRecords
from services.domain import HealthDay, Middle, ServiceMark, Usual


class ScopedHealth:
    """Days of the cabinets that are seen."""

    _book: BookOfRecords
    _sees: Callable[[str | None], bool]

    def health_days(self, unit: str, start_ms: int, end_ms: int) -> Sequence[HealthDay]:
        """Return the kept days of a unit that begin in a span, in order of time."""
        return self._book.health_days(unit, start_ms, end_ms) if self._sees(unit) else ()

    def use_between(self, start_ms: int, end_ms: int) -> Mapping[str, Used]:
        """Return by unit how much it was used on days that begin in a span."""
        used = self._book.use_between(start_ms, end_ms)
        return {unit: found for unit, found in used.items() if self._sees(unit)}

    def health_middles(self) -> Mapping[str, Sequence[Middle]]:
        """Return by unit what its last weeks come to."""
        found = self._book.health_middles()
        return {unit: middles for unit, middles in found.items() if self._sees(unit)}

    def service_marks(self, unit: str) -> Sequence[ServiceMark]:
        """Return the moments from which a unit is not compared with what it was before, oldest first."""
        return self._book.service_marks(unit) if self._sees(unit) else ()

    def health_usual(self, unit: str) -> Sequence[Usual]:
        """Return where each number of a unit lay on the days it is compared with."""
        return self._book.health_usual(unit) if self._sees(unit) else ()
