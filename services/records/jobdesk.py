"""The workshop's part of the door to the records: jobs, marks of service, departures."""

from collections.abc import Collection, Mapping

from services.domain import Departure, DepartureSaid, Job, JobMark, JobOpened, JobSaid, JobState
from services.errors import Refused
from services.records import jobbook, signing
from services.records.door import Door
from services.records.jobtables import DepartureRow
from services.timebase import DAY_MS, ms_of

FURTHEST_MS = 400 * DAY_MS
"""Nobody plans a departure further ahead (judgement); beyond it is a slip of the pen."""
MOST_JOBS = 500


class JobRecords(Door):
    """What people say of work on cabinets."""

    def open_job(self, said: JobOpened, *, now_ms: int) -> int:
        """Write down that somebody asks for work on a cabinet, and return the number of the job.

        Raises
        ------
        Refused
            If unit or person is unknown, or it shall be cold again in the past.
        """
        fleet = self.fleet()
        signing.require_unit(fleet, said.unit)
        signing.require_person(fleet, said.person)
        with self._database.writing() as session:
            return jobbook.open_job(session, said, now_ms=now_ms)

    def say_of_job(self, number: int, said: JobSaid, *, now_ms: int) -> None:
        """Write down something said of a job.

        Raises
        ------
        Refused
            If the person or the job is unknown, or it does not fit what was said before.
        """
        signing.require_person(self.fleet(), said.person)
        with self._database.writing() as session:
            jobbook.say(session, number, said, now_ms=now_ms)

    def jobs(
        self, *, units: Collection[str] | None = None, state: JobState | None = None, limit: int = MOST_JOBS
    ) -> list[Job]:
        """Return jobs, the newest first; without `units`, of all."""
        with self._database.reading() as session:
            return jobbook.jobs_of(session, jobbook.numbers(session, units=units, state=state, limit=limit))

    def job(self, number: int) -> Job | None:
        """Return a job."""
        with self._database.reading() as session:
            return next(iter(jobbook.jobs_of(session, [number])), None)

    def job_marks(self, unit: str) -> tuple[JobMark, ...]:
        """Return when work was over after which a machine is a different one, oldest first."""
        with self._database.reading() as session:
            return jobbook.marks(session, unit)

    def last_done(self) -> list[jobbook.LastDone]:
        """Return when each kind of work was last done on each unit, by a closed job."""
        with self._database.reading() as session:
            return jobbook.last_done(session)

    def last_ice_points(self) -> Mapping[str, int]:
        """Return when a sensor of each unit was last held in melting ice [ms]."""
        with self._database.reading() as session:
            return jobbook.last_ice_points(session)

    def say_departure(self, said: DepartureSaid, *, now_ms: int) -> None:
        """Write down when a vehicle leaves next, or that no departure is planned.

        Raises
        ------
        Refused
            If site or person is unknown, or that moment is none to plan by.
        """
        fleet = self.fleet()
        signing.require_person(fleet, said.person)
        if said.site not in {site.id for site in fleet.sites}:
            raise Refused(f"There is no site {said.site!r}.")
        leaves_ms = None if said.leaves is None else ms_of(said.leaves)
        if leaves_ms is not None and not now_ms <= leaves_ms <= now_ms + FURTHEST_MS:
            raise Refused("A departure lies ahead, within the next 400 days.")
        row = DepartureRow(site=said.site, leaves_ms=leaves_ms, said_ms=now_ms, who=said.person)
        with self._database.writing() as session:
            session.add(row)

    def departures(self) -> list[Departure]:
        """Return the next departure of each place that somebody named, the earliest first.

        One that lies in the past is among them: whoever plans knows what has gone by.
        """
        with self._database.reading() as session:
            return jobbook.departures(session)
