"""The routes of jobs, departures and service that comes round, under ``/api/v1``."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Query

from services.api.routes import PREFIX, AtDesk
from services.api.schemas import Listing
from services.domain import (
    Departure,
    DepartureSaid,
    FleetComparison,
    Job,
    JobChecked,
    JobClosed,
    JobCorrected,
    JobNoted,
    JobOpened,
    JobPlanned,
    JobState,
)
from services.domain.planned import PlannedDue

router = APIRouter(prefix=PREFIX, tags=["workshop"])

JobPath = Annotated[int, Path(ge=1, le=2**62, description="Number of the job.")]
_ID = r"^[a-z0-9-]{3,32}$"
_Unit = Annotated[str | None, Query(pattern=_ID, description="Id of a unit.")]
_State = Annotated[JobState | None, Query(description="Default: both.")]


@router.get("/jobs")
def jobs(desk: AtDesk, unit: _Unit = None, state: _State = None) -> Listing[Job]:
    """List jobs of the workshop, the newest first."""
    return Listing(items=tuple(desk.jobs(None if unit is None else {unit}, state)))


@router.post("/jobs", status_code=201)
def open_job(desk: AtDesk, said: JobOpened) -> Job:
    """Ask for work on a cabinet."""
    return desk.open_job(said)


@router.get("/jobs/{number}")
def job(desk: AtDesk, number: JobPath) -> Job:
    """Show one job with every line that was said of it."""
    return desk.job(number)


@router.post("/jobs/{number}/notes", status_code=201)
def note(
    desk: AtDesk,
    number: JobPath,
    said: Annotated[JobPlanned | JobNoted | JobChecked | JobCorrected, Body(discriminator="kind")],
) -> Job:
    """Add a note, a plan, a sheet of circuit work, or a correction of an earlier line."""
    return desk.say_of_job(number, said)


@router.post("/jobs/{number}/close", status_code=201)
def close(desk: AtDesk, number: JobPath, said: JobClosed) -> Job:
    """Close a job; what was learned of a machine that was touched begins anew."""
    return desk.say_of_job(number, said)


@router.get("/planned")
def planned(desk: AtDesk, unit: _Unit = None) -> Listing[PlannedDue]:
    """List service that comes round: when it was last recorded, and when it is due."""
    return Listing(items=tuple(desk.planned(None if unit is None else {unit})))


@router.get("/workshop/compare")
def compared(desk: AtDesk) -> FleetComparison:
    """Set every machine beside machines like it, the furthest out first."""
    return desk.fleet_compared()


@router.get("/departures")
def departures(desk: AtDesk) -> Listing[Departure]:
    """List departures ahead, the earliest first."""
    return Listing(items=tuple(desk.departures()))


@router.post("/departures", status_code=201)
def say_departure(desk: AtDesk, said: DepartureSaid) -> Listing[Departure]:
    """Say when a vehicle leaves next, or that no departure is planned."""
    return Listing(items=tuple(desk.say_departure(said)))
