"""What the workshop's jobs need of the records; the facade in services.records is the real one."""

from collections.abc import Collection, Mapping, Sequence
from typing import Protocol

from services.domain import Departure, DepartureSaid, Job, JobOpened, JobSaid, JobState


class Done(Protocol):
    """When a kind of work was last done on a unit."""

    @property
    def unit(self) -> str:
        """The unit."""

    @property
    def work(self) -> str:
        """The kind of work."""

    @property
    def at_ms(self) -> int:
        """When it was over [ms since 1970-01-01 UTC]."""


class JobBook(Protocol):
    """Jobs and departures, as far as the pages and the API go."""

    def open_job(self, said: JobOpened, *, now_ms: int) -> int:
        """Write down that somebody asks for work on a cabinet, and return the number of the job."""

    def say_of_job(self, number: int, said: JobSaid, *, now_ms: int) -> None:
        """Write down something said of a job."""

    def jobs(
        self, *, units: Collection[str] | None = None, state: JobState | None = None, limit: int = 500
    ) -> Sequence[Job]:
        """Return jobs, the newest first."""

    def job(self, number: int) -> Job | None:
        """Return a job."""

    def last_done(self) -> Sequence[Done]:
        """Return when each kind of work was last done on each unit."""

    def last_ice_points(self) -> Mapping[str, int]:
        """Return when a sensor of each unit was last held in melting ice [ms]."""

    def say_departure(self, said: DepartureSaid, *, now_ms: int) -> None:
        """Write down when a vehicle leaves next."""

    def departures(self) -> Sequence[Departure]:
        """Return the next departure of each place that somebody named, the earliest first."""
