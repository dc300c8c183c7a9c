"""The battery and wiring table of the fleet: on the screen, as PDF and as CSV."""

from datetime import UTC

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.language import _
from dashboards.pages.printing import pdf_answer
from dashboards.pages.render import written
from dashboards.pages.tables import csv_answer
from dashboards.pages.workshop_sheet import sheet_answer
from dashboards.reports import jobsheet, pdf
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.domain import DROP_LIMIT_SOURCE

router = APIRouter(include_in_schema=False)


def _page(desk: Desk, *, screen: bool) -> str:
    return written(
        "jobsheet_battery.html",
        css=Markup(jobsheet.style()),  # noqa: S704 - our own file
        screen=screen,
        printed=f"{text.stamp(desk.now_ms(), UTC)} UTC",
        heads=list(jobsheet.BATTERY_HEADS),
        rows=jobsheet.battery_rows(desk.fleet(), desk.cards()),
        limit=_("Most that cable and joints should lose: %(source)s.", source=DROP_LIMIT_SOURCE),
        cautions=list(jobsheet.CAUTIONS),
    )


@router.get("/workshop/battery", response_class=HTMLResponse)
def battery_page(desk: AtDesk) -> Response:
    """Show banks and wires of the fleet; it prints as it stands."""
    return sheet_answer(_page(desk, screen=True))


@router.get("/workshop/battery.pdf")
def battery_pdf(desk: AtDesk) -> Response:
    """Give banks and wires of the fleet as PDF."""
    page = _page(desk, screen=False)
    return pdf_answer(lambda: pdf.laid_out(page), f"batteries_{text.stamp(desk.now_ms(), UTC)[:10]}")


@router.get("/workshop/battery.csv")
def battery_csv(desk: AtDesk) -> Response:
    """Give banks and wires of the fleet as CSV."""
    rows = jobsheet.battery_rows(desk.fleet(), desk.cards())
    name = f"batteries_{text.stamp(desk.now_ms(), UTC)[:10]}"
    return csv_answer(name, list(jobsheet.BATTERY_HEADS), rows)
