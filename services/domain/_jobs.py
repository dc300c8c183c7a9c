"""Jobs of the workshop: what named persons say of one, line by line, and what that makes of it."""

from collections.abc import Iterable, Sequence
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, StringConstraints, TypeAdapter

from services.domain._batch import Line
from services.domain._circuit import CircuitCheck
from services.domain._fleet import Identifier
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant
from services.domain._upkeep import WorkKind
from services.timebase import ms_of

JobState = Literal["open", "closed"]
JobOutcome = Literal["done", "not_needed", "passed_on", "failed"]
TOUCHED: frozenset[JobOutcome] = frozenset({"done", "failed"})
"""Outcomes after which the machine is not as it was: what was learned of it before no longer holds."""

_Words = Annotated[str, StringConstraints(min_length=1, max_length=500, strip_whitespace=True)]
_Note = Annotated[str, StringConstraints(max_length=500, strip_whitespace=True)]


class Part(Frozen):
    """Something to take along, or that was fitted."""

    what: Line
    count: float = Field(default=1, gt=0, le=10_000, allow_inf_nan=False)
    """Pieces, or metres of cable."""


Parts = Annotated[tuple[Part, ...], Field(max_length=40)]


class _Said(Frozen):
    person: Line


class JobOpened(_Said):
    """Somebody asks for work on a cabinet."""

    kind: Literal["opened"] = "opened"
    unit: Identifier
    work: WorkKind
    reason: _Words
    parts: Parts = ()
    """To take along."""
    cold_by: AwareDatetime | None = None
    """When the cabinet must be cold again, before it leaves."""


class JobPlanned(_Said):
    """What to take along, or when it must be cold again, is another."""

    kind: Literal["planned"]
    parts: Parts | None = None
    cold_by: AwareDatetime | None = None


class JobNoted(_Said):
    """A remark, and parts that were used."""

    kind: Literal["noted"]
    note: _Note = ""
    used: Parts = ()


class JobChecked(_Said):
    """A sheet of work on the refrigerant circuit."""

    kind: Literal["checked"]
    sheet: CircuitCheck
    note: _Note = ""


class JobClosed(_Said):
    """The work is over, one way or another."""

    kind: Literal["closed"] = "closed"
    outcome: JobOutcome
    note: _Note = ""
    used: Parts = ()
    happened: AwareDatetime | None = None
    """When the work was over, if not just now."""


class JobCorrected(_Said):
    """An earlier line was wrong; it stays to be read."""

    kind: Literal["corrected"]
    line: int = Field(ge=1, le=2**62)
    note: _Words | None = None
    """How its words should have read; None: the line is taken back."""
    reason: _Words


JobSaid = Annotated[
    JobOpened | JobPlanned | JobNoted | JobChecked | JobClosed | JobCorrected, Field(discriminator="kind")
]
"""One thing said of a job, told apart by its kind."""
JOB_SAID: TypeAdapter[JobSaid] = TypeAdapter(JobSaid)


class JobLine(Frozen):
    """One line of a job; only ever added to."""

    id: int
    t: Instant
    """When it was written down."""
    said: JobSaid
    signed: str | None = None
    """``account``: by a person who had logged in; else by a name that was chosen."""


class Job(Frozen):
    """A job as all its lines together tell it."""

    number: int
    unit: str
    work: WorkKind
    reason: str
    parts: Parts = ()
    """To take along."""
    cold_by: Instant | None = None
    """When the cabinet must be cold again; None where nobody said."""
    opened: Instant
    opened_by: str
    state: JobState = "open"
    outcome: JobOutcome | None = None
    closed: Instant | None = None
    """When the work was over."""
    closed_by: str | None = None
    used: Parts = ()
    lines: tuple[JobLine, ...]

    @property
    def mark(self) -> "JobMark | None":
        """What a closed job that touched the machine means for what was learned of it."""
        if self.closed is None or self.outcome not in TOUCHED:
            return None
        return JobMark(
            unit=self.unit, at=self.closed, work=self.work, job=self.number, done=self.outcome == "done"
        )


class JobMark(Frozen):
    """Work that was over at a moment: a machine is a different one after it."""

    unit: str
    at: Instant
    work: WorkKind
    job: int
    done: bool
    """Whether the work did what it was for."""


class DepartureSaid(_Said):
    """When a vehicle leaves next."""

    site: Identifier
    leaves: AwareDatetime | None = None
    """None: no departure is planned."""


class Departure(Frozen):
    """When a vehicle leaves next, and who said so."""

    site: str
    leaves: Instant
    who: str
    said: Instant
    signed: str | None = None


def withdrawn(lines: Iterable[JobLine]) -> frozenset[int]:
    """Return the lines that are taken back; of several corrections of one line the newest counts."""
    newest = {line.said.line: line.said for line in lines if isinstance(line.said, JobCorrected)}
    return frozenset(no for no, said in newest.items() if said.note is None)


def reworded(lines: Iterable[JobLine]) -> dict[int, str]:
    """Return how corrected lines should have read."""
    newest = {line.said.line: line.said for line in lines if isinstance(line.said, JobCorrected)}
    return {no: said.note for no, said in newest.items() if said.note is not None}


def job_of(number: int, lines: Sequence[JobLine]) -> Job:
    """Return a job from its lines, in the order they were written; the first opened it."""
    gone, words = withdrawn(lines), reworded(lines)
    first = lines[0]
    if not isinstance(first.said, JobOpened):
        raise TypeError("the first line of a job opens it")
    told: dict[str, object] = {
        "number": number,
        "unit": first.said.unit,
        "work": first.said.work,
        "reason": words.get(first.id, first.said.reason),
        "parts": first.said.parts,
        "cold_by": None if first.said.cold_by is None else ms_of(first.said.cold_by),
        "opened": first.t,
        "opened_by": first.said.person,
    }
    used: list[Part] = []
    for line in lines[1:]:
        if line.id in gone:
            continue
        said = line.said
        if isinstance(said, JobPlanned):
            told |= {} if said.parts is None else {"parts": said.parts}
            told |= {} if said.cold_by is None else {"cold_by": ms_of(said.cold_by)}
        elif isinstance(said, JobNoted | JobClosed):
            used += said.used
        if isinstance(said, JobClosed):
            over = line.t if said.happened is None else ms_of(said.happened)
            told |= {"state": "closed", "outcome": said.outcome, "closed": over, "closed_by": said.person}
    return Job.model_validate({**told, "used": tuple(used), "lines": tuple(lines)})


def added_up(parts: Iterable[Part]) -> tuple[Part, ...]:
    """Return parts with equal ones put together, in the order they first came."""
    counts: dict[str, tuple[str, float]] = {}
    for part in parts:
        key = part.what.casefold()
        what, count = counts.get(key, (part.what, 0.0))
        counts[key] = (what, count + part.count)
    return tuple(Part(what=what, count=count) for what, count in counts.values())
