"""The job sheet of a unit or of one job: on the screen, and as PDF."""

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.pages.printing import pdf_answer
from dashboards.pages.render import written
from dashboards.pages.workshop import finding_views, sensor_words
from dashboards.reports import jobsheet, pdf
from dashboards.reports.jobsheet import Asked
from services.api.desk import Desk
from services.api.jobroutes import JobPath
from services.api.middleware import content_policy, text_hash
from services.api.routes import AtDesk, UnitPath
from services.domain import Job

router = APIRouter(include_in_schema=False)


def sheet_answer(page: str) -> Response:
    """Return a sheet as a page with its own style inside."""
    policy = content_policy(styles=[text_hash(jobsheet.style())])
    return HTMLResponse(page, headers={"Content-Security-Policy": policy})


def _sheet(desk: Desk, unit: str, job: Job | None, *, screen: bool) -> str:
    now_ms, card = desk.now_ms(), desk.card(unit)
    leaves = {each.site: each.leaves for each in desk.departures()}
    view = jobsheet.job_view(
        card,
        desk.fleet().settings_of(unit),
        desk.analysis(unit),
        finding_views(card, card.service, now_ms),
        sensor_words(card),
        asked=Asked(job, desk.jobs({unit}), desk.planned({unit}), leaves.get(card.site or "")),
        now_ms=now_ms,
    )
    return written("jobsheet.html", css=Markup(jobsheet.style()), screen=screen, **view)  # noqa: S704 - our own file


def _day(desk: Desk, unit: str) -> str:
    return text.stamp(desk.now_ms(), text.zone_of(desk.card(unit)))[:10]


@router.get("/workshop/units/{unit}/sheet", response_class=HTMLResponse)
def sheet_page(desk: AtDesk, unit: UnitPath) -> Response:
    """Show the job sheet of a unit; it prints as it stands."""
    return sheet_answer(_sheet(desk, unit, None, screen=True))


@router.get("/workshop/units/{unit}/sheet.pdf")
def sheet_pdf(desk: AtDesk, unit: UnitPath) -> Response:
    """Give the job sheet of a unit as PDF."""
    page = _sheet(desk, unit, None, screen=False)
    return pdf_answer(lambda: pdf.laid_out(page), f"{unit}_job_{_day(desk, unit)}")


@router.get("/workshop/jobs/{number}/sheet", response_class=HTMLResponse)
def job_page(desk: AtDesk, number: JobPath) -> Response:
    """Show the sheet of one job."""
    job = desk.job(number)
    return sheet_answer(_sheet(desk, job.unit, job, screen=True))


@router.get("/workshop/jobs/{number}/sheet.pdf")
def job_pdf(desk: AtDesk, number: JobPath) -> Response:
    """Give the sheet of one job as PDF."""
    job = desk.job(number)
    page = _sheet(desk, job.unit, job, screen=False)
    return pdf_answer(lambda: pdf.laid_out(page), f"job_{number}_{job.unit}_{_day(desk, job.unit)}")
