"""The part of the door to the records where the days of machines are kept."""

from collections.abc import Mapping, Sequence

from services.domain import Finding, HealthDay, Middle, ServiceMark, Usual
from services.records import healthbook
from services.records.door import Door
from services.records.healthbook import HealthState, Use


class HealthRecords(Door):
    """Days of machines, what they say, and what sets their baselines anew."""

    def health_days(self, unit: str, start_ms: int, end_ms: int) -> tuple[HealthDay, ...]:
        """Return the kept days of a unit that begin in ``[start_ms, end_ms)``, in order of time."""
        with self._database.reading() as session:
            return healthbook.days_of(session, unit, start_ms, end_ms)

    def use_between(self, start_ms: int, end_ms: int) -> Mapping[str, Use]:
        """Return by unit how much it was used on days that begin in ``[start_ms, end_ms)``."""
        with self._database.reading() as session:
            return healthbook.use_of(session, start_ms, end_ms)

    def health_middles(self) -> Mapping[str, Sequence[Middle]]:
        """Return by unit what its last weeks come to."""
        with self._database.reading() as session:
            return healthbook.middles_of(session)

    def service_marks(self, unit: str) -> tuple[ServiceMark, ...]:
        """Return the moments from which a unit is not compared with what it was before, oldest first."""
        with self._database.reading() as session:
            return healthbook.marks(session, unit)

    def health_states(self) -> Mapping[str, HealthState]:
        """Return by unit how far its days are worked out, and what they say."""
        with self._database.reading() as session:
            return healthbook.states(session)

    def health_usual(self, unit: str) -> tuple[Usual, ...]:
        """Return where each number of a unit lay on the days it is compared with."""
        with self._database.reading() as session:
            state = healthbook.state_of(session, unit)
            return () if state is None else state.usual

    def reopen_health(self, next_ms: Mapping[str, int]) -> None:
        """Keep from which day on the days of units are to be worked out anew."""
        with self._database.writing() as session:
            healthbook.put_next(session, next_ms)

    def write_health(self, unit: str, days: Sequence[HealthDay], *, start_ms: int, end_ms: int) -> None:
        """Keep what the days of a stretch are; the unit goes on at its end."""
        with self._database.writing() as session:
            healthbook.put_days(session, unit, days, start_ms=start_ms, end_ms=end_ms)
            healthbook.put_next(session, {unit: end_ms})

    def write_findings(
        self,
        unit: str,
        findings: Sequence[Finding],
        usual: Sequence[Usual],
        middles: Sequence[Middle],
        *,
        found_ms: int,
    ) -> None:
        """Keep what the days before a moment say, what they are compared with, what the last ones come to."""
        with self._database.writing() as session:
            healthbook.put_findings(session, unit, findings, usual, middles, found_ms=found_ms)
