"""The routes of run tests, under ``/api/v1``."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from services.api.routes import PREFIX, AtDesk
from services.api.schemas import Listing
from services.domain import RunTestAdded, RunTestBegun, RunTestRecord

router = APIRouter(prefix=PREFIX, tags=["workshop"])

RunTestPath = Annotated[int, Path(ge=1, le=2**62, description="Number of the test.")]
_Unit = Annotated[str | None, Query(pattern=r"^[a-z0-9-]{3,32}$", description="Id of a unit.")]


@router.get("/runtests")
def run_tests(
    desk: AtDesk,
    unit: _Unit = None,
    job: Annotated[int | None, Query(ge=1, le=2**62, description="Number of a job.")] = None,
    *,
    running: Annotated[bool, Query(description="Only tests that are not concluded.")] = False,
) -> Listing[RunTestRecord]:
    """List run tests and hold-over tests, the newest first."""
    return Listing(items=tuple(desk.run_tests(None if unit is None else {unit}, job=job, running=running)))


@router.post("/runtests", status_code=201)
def begin(desk: AtDesk, begun: RunTestBegun) -> RunTestRecord:
    """Begin a test of a unit; it is judged as readings come and concludes by itself."""
    return desk.begin_run_test(begun)


@router.get("/runtests/{number}")
def run_test(desk: AtDesk, number: RunTestPath) -> RunTestRecord:
    """Show one test: conditions, every line with its limit, and its verdict so far or for good."""
    return desk.run_test(number)


@router.post("/runtests/{number}/notes", status_code=201)
def note(desk: AtDesk, number: RunTestPath, added: RunTestAdded) -> RunTestRecord:
    """Add a reading of the air, the technician's word on the lid, a note, or the end of a test."""
    return desk.say_of_run_test(number, added)
