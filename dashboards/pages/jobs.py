"""Jobs of the workshop: the list, one job with its lines, and the forms people write into."""

from collections.abc import Mapping
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import text
from dashboards.jobwords import (
    CIRCUIT_CAUTIONS,
    NO_CLEARANCE,
    OUTCOMES,
    SHEETS,
    STATES,
    WORKS,
    cold_by_words,
    job_title,
    line_views,
    parts_words,
    state_words,
)
from dashboards.pages.jobforms import SheetTyped, moment_or_none, parts_from, sheet_from
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw
from dashboards.testwords import short_words
from services.api.access import WRENCH, asker_of
from services.api.desk import Desk
from services.api.jobroutes import JobPath
from services.api.routes import AtDesk
from services.api.schemas import Name, Words
from services.domain import (
    Job,
    JobChecked,
    JobClosed,
    JobCorrected,
    JobNoted,
    JobOpened,
    JobOutcome,
    JobPlanned,
    JobSaid,
    JobState,
    Unit,
    WorkKind,
)

router = APIRouter(include_in_schema=False)

_Typed = Annotated[str, Form(max_length=500)]
_List = Annotated[str, Form(max_length=4_000)]
_Short = Annotated[str, Form(max_length=40)]


def writes(request: Request) -> bool:
    """Return whether whoever asks may write in the workshop's books."""
    asker = asker_of(request)
    return asker.sees_all or asker.role in WRENCH


def zone_of_unit(desk: Desk, unit: str) -> ZoneInfo:
    """Return the zone of the place a unit stands in."""
    site = desk.fleet().settings_of(unit).site
    return ZoneInfo("UTC") if site is None else site.zone


def _named(desk: Desk) -> Mapping[str, Unit]:
    return {unit.id: unit for unit in desk.fleet().units}


def _row(job: Job, units: Mapping[str, Unit], places: Mapping[str, str], zone: ZoneInfo) -> dict[str, str]:
    unit = units.get(job.unit)
    return {
        "number": str(job.number),
        "title": job_title(job),
        "unit": job.unit,
        "name": job.unit if unit is None else unit.name or unit.id,
        "place": "" if unit is None else places.get(unit.site or "", ""),
        "reason": text.sentence(job.reason),
        "parts": parts_words(job.parts),
        "by": cold_by_words(job, zone) if job.state == "open" else "",
        "state": state_words(job, zone),
        "opened": text.stamp(job.opened, zone),
        "who": job.opened_by,
    }


def _rows(desk: Desk, jobs: list[Job]) -> list[dict[str, str]]:
    units, fleet = _named(desk), desk.fleet()
    places = {site.id: site.name for site in fleet.sites}
    zones = {site.id: site.zone for site in fleet.sites}
    utc = ZoneInfo("UTC")

    def zone(job: Job) -> ZoneInfo:
        unit = units.get(job.unit)
        return utc if unit is None else zones.get(unit.site or "", utc)

    return [_row(job, units, places, zone(job)) for job in jobs]


@router.get("/workshop/jobs", response_class=HTMLResponse)
def jobs(
    request: Request, desk: AtDesk, state: JobState = "open", unit: Annotated[str, Query(max_length=40)] = ""
) -> Response:
    """List jobs, the newest first: open ones if not asked otherwise."""
    units = None if not unit else {unit}
    return draw(
        request,
        "jobs.html",
        rows=_rows(desk, desk.jobs(units, state)),
        state=state,
        states=list(STATES.items()),
        unit=unit,
        writes=writes(request),
    )


@router.get("/workshop/jobs/new", response_class=HTMLResponse)
def new_job(
    request: Request,
    desk: AtDesk,
    unit: Annotated[str, Query(max_length=40)] = "",
    work: Annotated[str, Query(max_length=40)] = "",
) -> Response:
    """Show the form that opens a job; of a unit with findings it is filled in with what they say."""
    units = _named(desk)
    card = next((card for card in desk.cards() if card.unit == unit), None)
    found = () if card is None else card.service
    places = {site.id: site.name for site in desk.fleet().sites}
    return draw(
        request,
        "job_new.html",
        units=[
            (u.id, u.name or u.id, places.get(u.site or "", ""))
            for u in sorted(units.values(), key=lambda u: (places.get(u.site or "", ""), u.name or u.id))
        ],
        unit=unit if unit in units else "",
        works=list(WORKS.items()),
        work=work,
        reason="; ".join(text.plain(each.finding) for each in found)[:500],
        parts="\n".join(dict.fromkeys(part for each in found for part in each.parts)),
        people=desk.people(),
        who=remembered(request),
    )


@router.post("/workshop/jobs")
def open_job(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: Annotated[str, Form(pattern=r"^[a-z0-9-]{3,32}$")],
    person: Annotated[Name, Form()],
    work: Annotated[WorkKind, Form()],
    reason: Annotated[Words, Form()],
    parts: _List = "",
    cold_by: _Short = "",
) -> Response:
    """Open a job."""
    desk.unit(unit)
    said = JobOpened(
        person=person,
        unit=unit,
        work=work,
        reason=reason,
        parts=parts_from(parts),
        cold_by=moment_or_none(cold_by, zone_of_unit(desk, unit)),
    )
    job = desk.open_job(said)
    return _back(request, job.number, person)


def _back(request: Request, number: int, person: str) -> Response:
    response = RedirectResponse(f"/workshop/jobs/{number}", status_code=303)
    remember(request, response, person)
    return response


def _view(desk: Desk, job: Job) -> dict[str, Any]:
    zone = zone_of_unit(desk, job.unit) if job.unit in _named(desk) else ZoneInfo("UTC")
    return {
        "job": _rows(desk, [job])[0],
        "open": job.state == "open",
        "used": parts_words(job.used),
        "lines": line_views(job, zone),
        "zone": text.offset_name(desk.now_ms(), zone),
        "cautions_circuit": list(CIRCUIT_CAUTIONS),
        "no_clearance": NO_CLEARANCE(),
    }


@router.get("/workshop/jobs/{number}", response_class=HTMLResponse)
def one_job(request: Request, desk: AtDesk, number: JobPath) -> Response:
    """Show a job: what is asked, every line that was said of it, and the forms."""
    job = desk.job(number)
    return draw(
        request,
        "job.html",
        **_view(desk, job),
        planned="\n".join(parts_words([part]) for part in job.parts),
        tests=[(test.id, short_words(test)) for test in desk.run_tests(job=number)],
        outcomes=list(OUTCOMES.items()),
        writes=writes(request),
        people=desk.people(),
        who=remembered(request),
    )


@router.get("/workshop/jobs/{number}/circuit", response_class=HTMLResponse)
def circuit(request: Request, desk: AtDesk, number: JobPath) -> Response:
    """Show the sheets of circuit work of a job, and the forms to write one down."""
    job = desk.job(number)
    return draw(
        request,
        "job_circuit.html",
        **_view(desk, job),
        sheets=SHEETS,
        writes=writes(request) and job.state == "open",
        people=desk.people(),
        who=remembered(request),
    )


def _say(request: Request, desk: Desk, number: int, said: JobSaid) -> Response:
    desk.say_of_job(number, said)
    return _back(request, number, said.person)


@router.post("/workshop/jobs/{number}/note")
def note(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    number: JobPath,
    person: Annotated[Name, Form()],
    note: _Typed = "",
    used: _List = "",
) -> Response:
    """Write down a remark or parts that were used."""
    said = JobNoted(kind="noted", person=person, note=note.strip(), used=parts_from(used))
    return _say(request, desk, number, said)


@router.post("/workshop/jobs/{number}/plan")
def plan(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    number: JobPath,
    person: Annotated[Name, Form()],
    parts: _List = "",
    cold_by: _Short = "",
) -> Response:
    """Change what to take along, or when it must be cold again."""
    job = desk.job(number)
    by = moment_or_none(cold_by, zone_of_unit(desk, job.unit))
    told = parts_from(parts)
    said = JobPlanned(kind="planned", person=person, parts=None if told == job.parts else told, cold_by=by)
    return _say(request, desk, number, said)


@router.post("/workshop/jobs/{number}/close")
def close(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    number: JobPath,
    person: Annotated[Name, Form()],
    outcome: Annotated[JobOutcome, Form()],
    note: _Typed = "",
    used: _List = "",
    happened: _Short = "",
) -> Response:
    """Close a job."""
    job = desk.job(number)
    said = JobClosed(
        person=person,
        outcome=outcome,
        note=note.strip(),
        used=parts_from(used),
        happened=moment_or_none(happened, zone_of_unit(desk, job.unit)),
    )
    return _say(request, desk, number, said)


@router.post("/workshop/jobs/{number}/correct")
def correct(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    number: JobPath,
    person: Annotated[Name, Form()],
    line: Annotated[int, Form(ge=1, le=2**62)],
    reason: Annotated[Words, Form()],
    words: _Typed = "",
) -> Response:
    """Write down that an earlier line was wrong."""
    said = JobCorrected(kind="corrected", person=person, line=line, note=words.strip() or None, reason=reason)
    return _say(request, desk, number, said)


@router.post("/workshop/jobs/{number}/circuit")
def check(request: Request, desk: AtDesk, number: JobPath, typed: Annotated[SheetTyped, Form()]) -> Response:
    """Write down a sheet of circuit work."""
    said = JobChecked(kind="checked", person=typed.person, sheet=sheet_from(typed), note=typed.note)
    return _say(request, desk, number, said)
