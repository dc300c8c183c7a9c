"""One unit for the workshop: evidence one under the other, cut-outs, battery and wires, and its job sheet."""

from collections.abc import Mapping
from datetime import UTC
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Query, Request
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
from dashboards.pages.render import draw
from dashboards.pages.views import card_view
from dashboards.pages.workshop import finding_views, sensor_words
from dashboards.pages.workshop_health import health_facts
from dashboards.powerwords import battery_words
from dashboards.reports import jobsheet
from dashboards.rolewords import signed_words
from dashboards.saidwords import statement_words
from dashboards.themes import Theme
from services.api.desk import Desk
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
        health=health_facts(desk, unit),
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
