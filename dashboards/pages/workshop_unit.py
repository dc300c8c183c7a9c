"""One unit for the workshop: evidence one under the other, cut-outs, battery and wires, and its job sheet."""

from collections.abc import Mapping
from datetime import UTC
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from pydantic import AwareDatetime
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.benchwords import (
    bank_facts,
    bench_facts,
    measured_words,
    milliohm,
    path_facts,
    path_of,
    share,
    work_in,
)
from dashboards.figures import look
from dashboards.figures.reading import read_in
from dashboards.figures.unit import points_for
from dashboards.figures.workshop import READ, bench_figure, words_of
from dashboards.language import Table, _
from dashboards.pages.lively import live_of
from dashboards.pages.printing import pdf_answer
from dashboards.pages.render import draw, written
from dashboards.pages.views import card_view
from dashboards.pages.workshop import finding_views, sensor_words
from dashboards.powerwords import battery_words
from dashboards.reports import jobsheet, pdf
from dashboards.rolewords import signed_words
from dashboards.saidwords import statement_words
from dashboards.themes import Theme
from services.api.desk import Desk
from services.api.middleware import content_policy, text_hash
from services.api.routes import AtDesk, UnitPath
from services.api.spans import span_of
from services.domain import Cutout, UnitCard, Work, WorkDay
from services.timebase import DAY_MS, MINUTE_MS, utc_day_start_ms

router = APIRouter(include_in_schema=False)

_MOST_BINS = 720
_MOST_DAYS = 800
_STATEMENTS = 30
SPANS: Table[str] = Table({"1d": "1 day", "8d": "8 days", "60d": "60 days", "1y": "1 year", "2y": "2 years"})
_LONG_MS = {"1d": DAY_MS, "8d": 8 * DAY_MS, "60d": 60 * DAY_MS, "1y": 365 * DAY_MS, "2y": 730 * DAY_MS}


def _day_row(day: WorkDay) -> tuple[str, ...]:
    """Return one UTC day as a row; what is not known says so."""
    unknown = _("not known")

    def volts(value: float | None) -> str:
        return unknown if value is None else text.volts(value)

    ohm, off = day.path_ohm, day.path_sd_ohm
    path = unknown if ohm is None else milliohm(ohm)
    if ohm is not None and off is not None:
        path = f"{milliohm(ohm)} ± {milliohm(off)}"
    return (
        text.stamp(day.day, UTC)[:10],
        f"{text.number(day.hours_run)} / {text.number(day.hours_seen)} h",
        unknown if day.duty is None else share(day.duty),
        str(day.starts),
        unknown if day.starts_per_hour is None else text.number(day.starts_per_hour),
        volts(day.rest_v),
        volts(day.loaded_v),
        path,
        str(day.path_stops),
    )


def _days(work: Work | None) -> list[tuple[str, ...]]:
    return [] if work is None else [_day_row(day) for day in reversed(work.days)]


def _said(desk: Desk, card: UnitCard) -> tuple[list[tuple[str, str, str]], list[tuple[str, str]]]:
    """Return checks of sensors in melting ice, and everything else people said, the newest first."""
    zone = text.zone_of(card)
    ice, rest = [], []
    for said in desk.statements(card.unit, _STATEMENTS):
        at = text.stamp(said.t_ms, zone)
        if said.kind == "ice_point":
            ice.append((at, signed_words(said.signed), statement_words(said)))
        else:
            rest.append((f"{at}, {signed_words(said.signed)}", statement_words(said)))
    return ice, rest


@router.get("/workshop/units/{unit}", response_class=HTMLResponse)
def evidence(request: Request, desk: AtDesk, unit: UnitPath, span: str = "8d") -> Response:
    """Show what a finding or cut-out of one unit rests on."""
    if span not in SPANS:
        raise HTTPException(404, _("The spans are %(names)s.", names=", ".join(SPANS)))
    live, now_ms = live_of(desk, unit), desk.now_ms()
    card, analysis = desk.card(unit), desk.analysis(unit)
    settings = desk.fleet().settings_of(unit)
    work, (path, no_path) = work_in(analysis), path_of(analysis)
    measured, gone = measured_words(card)
    ice, said = _said(desk, card)
    end_ms = now_ms - now_ms % MINUTE_MS + MINUTE_MS
    start_ms = end_ms - _LONG_MS[span]
    return draw(
        request,
        "workshop_unit.html",
        live=live,
        c=card_view(card, now_ms),
        findings=finding_views(card, card.service, now_ms),
        sensors=sensor_words(card),
        measured=measured,
        gone=gone,
        numbers=bench_facts(card.bench),
        days=_days(work),
        chart_words=words_of(work),
        spans=[(key, words, key == span) for key, words in SPANS.items()],
        start_ms=start_ms,
        end_ms=end_ms,
        cutouts=jobsheet.cutout_rows(card, _cutouts(analysis), now_ms),
        no_cutouts=text.sentence(str(analysis.get("cutouts_reason") or "")),
        bank=bank_facts(settings, card.bench),
        charge=battery_words(analysis)[:1] if settings.has_battery else [],
        way=path_facts(work, path, no_path) if settings.has_battery else [],
        way_words="" if path is None else path.words,
        plate=settings.unit.plate,
        ice=ice,
        said=said,
    )


def _cutouts(analysis: Mapping[str, Any]) -> list[Cutout]:
    return [Cutout.model_validate(item) for item in analysis.get("cutouts") or ()]


@router.get("/workshop/units/{unit}/figure.json")
def figure(
    desk: AtDesk,
    unit: UnitPath,
    start: Annotated[AwareDatetime, Query(alias="from")],
    end: Annotated[AwareDatetime, Query(alias="to")],
    theme: Theme | None = None,
) -> Response:
    """Give the evidence of a span as a chart, thinned to what a screen can show, in the inks of a theme."""
    span = span_of(start, end, now_ms=desk.now_ms())
    card, analysis = desk.card(unit), desk.analysis(unit)
    points = points_for(span.start_ms, span.end_ms, card.interval_s, _MOST_BINS)
    first_ms = utc_day_start_ms(span.start_ms)
    days = min(_MOST_DAYS, -(-(span.end_ms - first_ms) // DAY_MS))
    last_ms = first_ms + days * DAY_MS
    drawn = bench_figure(
        desk.samples(unit, start_ms=span.start_ms, end_ms=span.end_ms, channels=READ, max_points=points),
        desk.samples(unit, start_ms=first_ms, end_ms=last_ms, channels=["compressor_on"], max_points=days),
        card,
        work_in(analysis),
        path_of(analysis)[0],
        start_ms=span.start_ms,
        end_ms=span.end_ms,
        zone=text.zone_of(card),
    )
    return Response(orjson.dumps(look.in_theme(read_in(drawn), theme)), media_type="application/json")


def _sheet(desk: Desk, unit: str, *, screen: bool) -> str:
    now_ms, card = desk.now_ms(), desk.card(unit)
    view = jobsheet.job_view(
        card,
        desk.fleet().settings_of(unit),
        desk.analysis(unit),
        finding_views(card, card.service, now_ms),
        sensor_words(card),
        now_ms=now_ms,
    )
    return written("jobsheet.html", css=Markup(jobsheet.style()), screen=screen, **view)  # noqa: S704 - our own file


@router.get("/workshop/units/{unit}/sheet", response_class=HTMLResponse)
def sheet_page(desk: AtDesk, unit: UnitPath) -> Response:
    """Show the job sheet of a unit; it prints as it stands."""
    return sheet_answer(_sheet(desk, unit, screen=True))


def sheet_answer(page: str) -> Response:
    """Return a sheet as a page with its own style inside."""
    policy = content_policy(styles=[text_hash(jobsheet.style())])
    return HTMLResponse(page, headers={"Content-Security-Policy": policy})


@router.get("/workshop/units/{unit}/sheet.pdf")
def sheet_pdf(desk: AtDesk, unit: UnitPath) -> Response:
    """Give the job sheet of a unit as PDF."""
    page = _sheet(desk, unit, screen=False)
    day = text.stamp(desk.now_ms(), text.zone_of(desk.card(unit)))[:10]
    return pdf_answer(lambda: pdf.laid_out(page), f"{unit}_job_{day}")
