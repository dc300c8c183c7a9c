"""Jobs and departures as one person sees them: those of their places, signed with their own name."""

from collections.abc import Callable, Collection, Mapping, Sequence

from services.api.jobport import Done
from services.api.ports import BookOfRecords
from services.domain import Departure, DepartureSaid, Fleet, Job, JobOpened, JobSaid, JobState
from services.errors import Refused


class ScopedJobs:
    """Jobs on the cabinets that are seen."""

    _book: BookOfRecords
    fleet: Callable[[], Fleet]
    _asked: Callable[[Collection[str] | None], Collection[str] | None]
    _sees: Callable[[str | None], bool]
    _require: Callable[[str | None, str], None]

    def open_job(self, said: JobOpened, *, now_ms: int) -> int:
        """Write down that somebody asks for work on a cabinet, and return the number of the job."""
        self._require(said.unit, said.person)
        return self._book.open_job(said, now_ms=now_ms)

    def say_of_job(self, number: int, said: JobSaid, *, now_ms: int) -> None:
        """Write down something said of a job."""
        if self.job(number) is None:
            raise Refused(f"There is no job {number}.")
        self._require(None, said.person)
        self._book.say_of_job(number, said, now_ms=now_ms)

    def jobs(
        self, *, units: Collection[str] | None = None, state: JobState | None = None, limit: int = 500
    ) -> Sequence[Job]:
        """Return jobs, the newest first."""
        return self._book.jobs(units=self._asked(units), state=state, limit=limit)

    def job(self, number: int) -> Job | None:
        """Return a job."""
        job = self._book.job(number)
        return None if job is None or not self._sees(job.unit) else job

    def last_done(self) -> Sequence[Done]:
        """Return when each kind of work was last done on each unit."""
        return [done for done in self._book.last_done() if self._sees(done.unit)]

    def last_ice_points(self) -> Mapping[str, int]:
        """Return when a sensor of each unit was last held in melting ice [ms]."""
        return {unit: at for unit, at in self._book.last_ice_points().items() if self._sees(unit)}

    def say_departure(self, said: DepartureSaid, *, now_ms: int) -> None:
        """Write down when a vehicle leaves next."""
        self._require(None, said.person)
        if said.site not in self._sites():
            raise Refused(f"There is no site {said.site!r}.")
        self._book.say_departure(said, now_ms=now_ms)

    def departures(self) -> Sequence[Departure]:
        """Return the next departure of each place that somebody named, the earliest first."""
        sites = self._sites()
        return [departure for departure in self._book.departures() if departure.site in sites]

    def _sites(self) -> frozenset[str]:
        return frozenset(site.id for site in self.fleet().sites)
