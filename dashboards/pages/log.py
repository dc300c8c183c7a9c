"""The inspector's log of a cabinet: on the screen, as PDF, and every reading as CSV."""

from typing import Annotated, Any, Protocol

from fastapi import APIRouter, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.language import _
from dashboards.pages.printing import file_answer, pdf_answer
from dashboards.reports import pdf, sheet, table
from dashboards.reports.contents import LogSheet
from services.api.middleware import content_policy, text_hash
from services.api.routes import AtDesk, UnitPath
from services.errors import ConfigurationError
from services.timebase import DAY_MS

router = APIRouter(include_in_schema=False)

LONGEST_MS = 92 * DAY_MS
"""A longer log is made at the command line, where nobody waits for a page."""
LONGEST_PDF_MS = 31 * DAY_MS
Day = Annotated[str, Query(pattern=r"^(\d{4}-\d{2}-\d{2})?$")]
First = Annotated[Day, Query(alias="from")]
Last = Annotated[Day, Query(alias="to")]


class LogMaker(Protocol):
    """What makes logs; the composition root puts one on the application."""

    def of_days(self, unit: str, first: str, last: str, *, longest_ms: int, printed_ms: int) -> LogSheet:
        """Return the log of a unit over days at its place; empty texts stand for the last seven."""


def _made(
    request: Request, desk: AtDesk, unit: str, first: str, last: str, *, longest_ms: int = LONGEST_MS
) -> LogSheet:
    maker: LogMaker | None = getattr(request.app.state, "inspectors_log", None)
    desk.unit(unit)
    if maker is None:
        raise HTTPException(503, _("No log can be made here: this application was started without one."))
    try:
        return maker.of_days(unit, first, last, longest_ms=longest_ms, printed_ms=desk.now_ms())
    except ConfigurationError as error:
        raise HTTPException(422, text.sentence(str(error))) from error


def _days(made: LogSheet) -> tuple[str, str]:
    first, last = (text.local(t, made.zone).date() for t in (made.span.start_ms, made.span.end_ms - 1))
    return first.isoformat(), last.isoformat()


@router.get("/units/{unit}/log", response_class=HTMLResponse)
def log_page(request: Request, desk: AtDesk, unit: UnitPath, start: First = "", end: Last = "") -> Response:
    """Show the log; it prints as it stands."""
    made = _made(request, desk, unit, start, end)
    first, last = _days(made)
    asked = f"?from={first}&to={last}"
    short = made.span.end_ms - made.span.start_ms <= LONGEST_PDF_MS
    screen: dict[str, Any] = {
        "start": first,
        "end": last,
        "csv": f"/units/{unit}/log.csv{asked}",
        "pdf": f"/units/{unit}/log.pdf{asked}" if short else None,
    }
    policy = content_policy(styles=[text_hash(sheet.style())])
    return HTMLResponse(sheet.html(made, on_screen=screen), headers={"Content-Security-Policy": policy})


@router.get("/units/{unit}/log.csv")
def log_csv(request: Request, desk: AtDesk, unit: UnitPath, start: First = "", end: Last = "") -> Response:
    """Give every reading and everything else of the log as CSV."""
    made = _made(request, desk, unit, start, end)
    return file_answer(table.csv_bytes(made), "text/csv; charset=utf-8", f"{sheet.file_stem(made)}.csv")


@router.get("/units/{unit}/log.pdf")
def log_pdf(request: Request, desk: AtDesk, unit: UnitPath, start: First = "", end: Last = "") -> Response:
    """Give the log as PDF; one is laid out at a time, so that the pages stay quick."""
    made = _made(request, desk, unit, start, end, longest_ms=LONGEST_PDF_MS)
    return pdf_answer(lambda: pdf.pdf_bytes(made), sheet.file_stem(made))
