"""Jobs as lines that are only ever added to, and the rows that follow from them."""

from collections.abc import Collection, Iterable
from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from services.domain import (
    JOB_SAID,
    Departure,
    Job,
    JobClosed,
    JobCorrected,
    JobLine,
    JobMark,
    JobNoted,
    JobOpened,
    JobPlanned,
    JobSaid,
    JobState,
    job_of,
    withdrawn,
)
from services.errors import Refused
from services.records.corrections import corrections_of
from services.records.jobtables import DepartureRow, JobLineRow, JobRow
from services.records.tables import StatementRow
from services.timebase import DAY_MS, MINUTE_MS, ms_of

LONGEST_BACK_MS = 30 * DAY_MS
"""How long after it a job may be said to be over (judgement): paper comes in late."""
_CLOCKS_APART_MS = 5 * MINUTE_MS


class LastDone(NamedTuple):
    """When a kind of work was last done on a unit, by a closed job."""

    unit: str
    work: str
    at_ms: int


def line_of(row: JobLineRow) -> JobLine:
    """Return a line."""
    return JobLine(id=row.no, t=row.t_ms, said=JOB_SAID.validate_json(row.body), signed=row.signed)


def jobs_of(session: Session, numbers: Collection[int]) -> list[Job]:
    """Return jobs by their numbers, the newest first."""
    lines: dict[int, list[JobLine]] = {}
    query = select(JobLineRow).where(JobLineRow.job.in_(numbers)).order_by(JobLineRow.no)
    for row in session.scalars(query):
        lines.setdefault(row.job, []).append(line_of(row))
    return [job_of(number, lines[number]) for number in sorted(lines, reverse=True)]


def numbers(
    session: Session, *, units: Collection[str] | None, state: JobState | None, limit: int
) -> list[int]:
    """Return the numbers of jobs, the newest first."""
    query = select(JobRow.no)
    if units is not None:
        query = query.where(JobRow.unit.in_(units))
    if state is not None:
        query = query.where(JobRow.state == state)
    return list(session.scalars(query.order_by(JobRow.no.desc()).limit(limit)))


def open_job(session: Session, said: JobOpened, *, now_ms: int) -> int:
    """Write down that somebody asks for work, and return the number of the job."""
    if said.cold_by is not None and ms_of(said.cold_by) < now_ms:
        raise Refused("The time it must be cold again lies in the past.")
    row = JobRow(unit=said.unit, work=said.work, state="open", outcome=None, closed_ms=None)
    session.add(row)
    session.flush()
    _add(session, row, said, now_ms)
    return row.no


def say(session: Session, number: int, said: JobSaid, *, now_ms: int) -> None:
    """Write down something said of a job.

    Raises
    ------
    Refused
        If there is no such job, or it does not fit what was said before.
    """
    row = session.get(JobRow, number)
    if row is None:
        raise Refused(f"There is no job {number}.")
    before = jobs_of(session, [number])[0]
    _check(before, said, now_ms)
    _add(session, row, said, now_ms)
    after = jobs_of(session, [number])[0]
    row.state, row.outcome, row.closed_ms = after.state, after.outcome, after.closed


def _add(session: Session, row: JobRow, said: JobSaid, now_ms: int) -> None:
    line = JobLineRow(job=row.no, t_ms=now_ms, who=said.person, kind=said.kind, body=said.model_dump_json())
    session.add(line)
    session.flush()


def _check(job: Job, said: JobSaid, now_ms: int) -> None:
    if isinstance(said, JobOpened):
        raise Refused("This job is open already: open another one.")
    if isinstance(said, JobCorrected):
        _check_correction(job, said)
        return
    if job.state == "closed" and not isinstance(said, JobNoted):
        raise Refused(f"Job {job.number} is closed: take back the line that closed it, or open another one.")
    if isinstance(said, JobNoted) and not said.note and not said.used:
        raise Refused("A note or a part that was used is needed.")
    if isinstance(said, JobPlanned):
        if said.parts is None and said.cold_by is None:
            raise Refused("What is to be taken along, or when must it be cold again?")
        if said.cold_by is not None and ms_of(said.cold_by) < now_ms:
            raise Refused("The time it must be cold again lies in the past.")
    if isinstance(said, JobClosed) and said.happened is not None:
        over_ms = ms_of(said.happened)
        if not now_ms - LONGEST_BACK_MS <= over_ms <= now_ms + _CLOCKS_APART_MS:
            raise Refused("When the work was over lies within the last thirty days, and not ahead.")


def _check_correction(job: Job, said: JobCorrected) -> None:
    line = next((each for each in job.lines if each.id == said.line), None)
    if line is None:
        raise Refused(f"Line {said.line} is not one of this job.")
    if isinstance(line.said, JobCorrected):
        raise Refused("This line is a correction itself: correct the line it names once more.")
    if isinstance(line.said, JobOpened) and said.note is None:
        raise Refused("What opened a job is not taken back: close it as not needed.")
    if said.note is not None and isinstance(line.said, JobPlanned):
        raise Refused("There are no words in that line: take it back and say it anew.")
    if said.note is None and line.id in withdrawn(job.lines):
        raise Refused("That line was taken back already.")


def marks(session: Session, unit: str) -> tuple[JobMark, ...]:
    """Return when work on a unit was over after which it is a different one, oldest first."""
    closed = select(JobRow.no).where(JobRow.unit == unit, JobRow.state == "closed")
    found = (job.mark for job in jobs_of(session, session.scalars(closed).all()))
    return tuple(sorted((m for m in found if m is not None), key=lambda mark: (mark.at, mark.job)))


def last_done(session: Session) -> list[LastDone]:
    """Return when each kind of work was last done on each unit."""
    query = (
        select(JobRow.unit, JobRow.work, func.max(JobRow.closed_ms))
        .where(JobRow.outcome == "done", JobRow.closed_ms.is_not(None))
        .group_by(JobRow.unit, JobRow.work)
    )
    found = session.execute(query)
    return [LastDone(unit, work, at_ms) for unit, work, at_ms in found if at_ms is not None]


def last_ice_points(session: Session) -> dict[str, int]:
    """Return when a sensor of each unit was last held in melting ice, checks taken back left out."""
    query = select(StatementRow.no, StatementRow.unit, StatementRow.t_ms)
    found = session.execute(query.where(StatementRow.kind == "ice_point").order_by(StatementRow.t_ms)).all()
    gone = _taken_back(session, {unit for _no, unit, _t_ms in found})
    return {unit: t_ms for no, unit, t_ms in found if no not in gone}


def _taken_back(session: Session, units: Iterable[str]) -> frozenset[int]:
    return frozenset[int]().union(*(corrections_of(session, unit).withdrawn for unit in units))


def departures(session: Session) -> list[Departure]:
    """Return the newest departure of each place, where one is planned."""
    newest = select(func.max(DepartureRow.no)).group_by(DepartureRow.site)
    query = select(DepartureRow).where(DepartureRow.no.in_(newest), DepartureRow.leaves_ms.is_not(None))
    return [
        Departure(site=row.site, leaves=row.leaves_ms, who=row.who, said=row.said_ms, signed=row.signed)
        for row in session.scalars(query.order_by(DepartureRow.leaves_ms))
        if row.leaves_ms is not None
    ]
