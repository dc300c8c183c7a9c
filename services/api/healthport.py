"""What the days of machines need of the records; the facade in services.records is the real one."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from services.domain import HealthDay, Middle, ServiceMark, Usual


class Used(Protocol):
    """How much a machine was used over some days."""

    @property
    def days(self) -> int:
        """Days on which it was heard."""

    @property
    def hours_seen(self) -> float:
        """Hours with a known compressor state."""

    @property
    def hours_run(self) -> float:
        """Hours the machine ran."""

    @property
    def starts(self) -> float:
        """Starts that were seen."""

    @property
    def dust_h(self) -> float:
        """Hours in which dust was drawn in."""


class HealthBook(Protocol):
    """Days of machines, as far as the pages and the API go."""

    def health_days(self, unit: str, start_ms: int, end_ms: int) -> Sequence[HealthDay]:
        """Return the kept days of a unit that begin in a span, in order of time."""

    def use_between(self, start_ms: int, end_ms: int) -> Mapping[str, Used]:
        """Return by unit how much it was used on days that begin in a span."""

    def health_middles(self) -> Mapping[str, Sequence[Middle]]:
        """Return by unit what its last weeks come to."""

    def service_marks(self, unit: str) -> Sequence[ServiceMark]:
        """Return the moments from which a unit is not compared with what it was before, oldest first."""

    def health_usual(self, unit: str) -> Sequence[Usual]:
        """Return where each number of a unit lay on the days it is compared with."""
