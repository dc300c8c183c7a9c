"""Run tests and hold-over tests: begun, watched, ended, listed, and printed as a certificate."""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import orjson
from fastapi import APIRouter, Form, Query, Request
from markupsafe import Markup
from pydantic import AwareDatetime
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import testwords, text
from dashboards.figures import look
from dashboards.figures.reading import read_in
from dashboards.figures.runtest import CHANNELS, runtest_figure
from dashboards.figures.unit import points_for
from dashboards.language import _
from dashboards.natural import natural
from dashboards.pages.forms import amount_or_none, number_from, temperature_or_none
from dashboards.pages.jobs import writes, zone_of_unit
from dashboards.pages.lively import live_of
from dashboards.pages.people import remember, remembered
from dashboards.pages.printing import pdf_answer
from dashboards.pages.render import draw, written
from dashboards.reports import certificate, pdf
from dashboards.themes import Theme
from services.api.desk import Desk
from services.api.middleware import content_policy, text_hash
from services.api.routes import AtDesk
from services.api.runtestroutes import RunTestPath
from services.api.schemas import Name
from services.domain import (
    RunTestAdded,
    RunTestBegun,
    RunTestKind,
    RunTestRecord,
    RunTestSaidKind,
    RunTestWords,
)
from services.timebase import MINUTE_MS, ms_of

router = APIRouter(include_in_schema=False)

_MOST_BINS = 720
_TESTABLE = ("bench", "in_use")
_LID = {"shut": 1.0, "opened": 0.0}
_Short = Annotated[str, Form(max_length=80)]
_Long = Annotated[str, Form(max_length=500)]


def _zone(desk: Desk, unit: str) -> ZoneInfo:
    """Return the zone of a unit's place; of a unit that is gone UTC."""
    known = any(each.id == unit for each in desk.fleet().units)
    return zone_of_unit(desk, unit) if known else ZoneInfo("UTC")


def _row(desk: Desk, test: RunTestRecord) -> dict[str, str]:
    names = {unit.id: unit.name or unit.id for unit in desk.fleet().units}
    zone = _zone(desk, test.unit)
    result = test.result
    verdict = "running" if result is None else result.verdict
    because = "; ".join(testwords.because_words(result)) if result is not None else ""
    return {
        "number": str(test.id),
        "unit": test.unit,
        "name": names.get(test.unit, test.unit),
        "kind": testwords.KINDS[test.kind],
        "began": text.stamp(test.start, zone),
        "verdict": testwords.VERDICTS[verdict],
        "sign": testwords.SIGNS[verdict],
        "because": because,
        "who": test.words.technician or test.who,
        "serial": test.words.serial,
        "left": testwords.left_words(test, desk.now_ms()),
    }


@router.get("/workshop/tests", response_class=HTMLResponse)
def every_test(
    request: Request,
    desk: AtDesk,
    unit: Annotated[str, Query(max_length=40)] = "",
    job: Annotated[int | None, Query(ge=1, le=2**62)] = None,
) -> Response:
    """List tests, those that run first, with the form that begins one."""
    live = live_of(desk)
    fleet = desk.fleet()
    places = {site.id: site.name for site in fleet.sites}
    units = sorted(
        (
            (each.id, each.name or each.id, places.get(each.site or "", ""), each.id == unit)
            for each in fleet.units
            if each.state in _TESTABLE
        ),
        key=lambda row: (natural(row[2]), natural(row[1])),
    )
    found = desk.run_tests(None if not unit else {unit})
    return draw(
        request,
        "tests.html",
        live=live,
        running=[_row(desk, test) for test in found if test.concluded is None],
        done=[_row(desk, test) for test in found if test.concluded is not None],
        units=units,
        unit=unit,
        job=job,
        kinds=list(testwords.KINDS.items()),
        writes=writes(request),
        people=desk.people(),
        who=remembered(request),
    )


@router.post("/workshop/tests")
def begin(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    person: Annotated[Name, Form()],
    unit: Annotated[str, Form(pattern=r"^[a-z0-9-]{3,32}$")],
    kind: Annotated[RunTestKind, Form()],
    serial: _Short = "",
    technician: _Short = "",
    load: Annotated[str, Form(max_length=200)] = "",
    supply: Annotated[str, Form(max_length=200)] = "",
    lead: Annotated[str, Form(max_length=4)] = "",
    vaccine: Annotated[str, Form(max_length=4)] = "",
    hours: Annotated[str, Form(max_length=8)] = "",
    ambient_c: Annotated[str, Form(max_length=12)] = "",
    job: Annotated[str, Form(max_length=12)] = "",
) -> Response:
    """Begin a test of a unit."""
    if job.strip() and not job.strip().isdigit():
        raise HTTPException(422, _("A job is named by its number."))
    air_c = temperature_or_none(ambient_c)
    words = RunTestWords(
        serial=serial.strip(),
        technician=technician.strip(),
        load=load.strip(),
        supply=supply.strip(),
        own_supply=not lead,
        vaccine=bool(vaccine),
        required_h=amount_or_none(hours),
        ambient_by_hand_c=() if air_c is None else (air_c,),
    )
    begun = RunTestBegun(
        person=person, unit=unit, kind=kind, words=words, job=int(job) if job.strip() else None
    )
    response = RedirectResponse(f"/workshop/tests/{desk.begin_run_test(begun).id}", status_code=303)
    remember(request, response, person)
    return response


def _span(desk: Desk, test: RunTestRecord) -> tuple[int, int]:
    """Return from when to when a test is drawn."""
    result = test.result
    if test.concluded is not None and result is not None:
        return test.start, max(result.end, test.start + MINUTE_MS)
    return test.start, max(desk.now_ms(), test.start + MINUTE_MS)


@router.get("/workshop/tests/{number}", response_class=HTMLResponse)
def one(request: Request, desk: AtDesk, number: RunTestPath) -> Response:
    """Show one test: how it stands, or its result, with every line, chart, and what was said."""
    test = desk.run_test(number)
    live = live_of(desk, test.unit)
    zone, result = _zone(desk, test.unit), test.result
    start_ms, end_ms = _span(desk, test)
    last = desk.test_before(test)
    verdict = "running" if result is None else result.verdict
    return draw(
        request,
        "test.html",
        live=live,
        row=_row(desk, test),
        verdict=verdict,
        meaning=testwords.MEANINGS[verdict],
        conditions="" if result is None else testwords.conditions_words(result),
        because=[] if result is None else testwords.because_words(result),
        unmeasured=[] if result is None else testwords.unmeasured_words(result),
        groups=[] if result is None else testwords.groups(result),
        before=[] if result is None else testwords.before_rows(result, None if last is None else last.result),
        last=None if last is None else last.id,
        stretches=0 if result is None else result.stretches_before,
        assumed="" if result is None else testwords.assumed_words(result.assumed),
        facts=testwords.facts(test, zone),
        said=[testwords.said_words(said, zone) for said in test.said],
        over=test.concluded is not None,
        stopped=test.stopped_ms is not None,
        chart_words=certificate.chart_words(result),
        start_ms=start_ms,
        end_ms=end_ms,
        cautions_here=list(testwords.CAUTIONS),
        no_clearance=str(testwords.NO_CLEARANCE),
        writes=writes(request),
        people=desk.people(),
        who=remembered(request),
    )


@router.get("/workshop/tests/{number}/figure.json")
def figure(
    desk: AtDesk,
    number: RunTestPath,
    start: Annotated[AwareDatetime | None, Query(alias="from")] = None,
    end: Annotated[AwareDatetime | None, Query(alias="to")] = None,
    theme: Theme | None = None,
) -> Response:
    """Give a test, or a part of it, as a chart in the inks of a theme."""
    test = desk.run_test(number)
    first_ms, last_ms = _span(desk, test)
    start_ms = first_ms if start is None else min(max(ms_of(start), first_ms), last_ms - MINUTE_MS)
    end_ms = last_ms if end is None else min(max(ms_of(end), start_ms + MINUTE_MS), last_ms)
    card = desk.card(test.unit)
    points = points_for(start_ms, end_ms, card.interval_s, _MOST_BINS)
    samples = desk.samples(
        test.unit, start_ms=start_ms, end_ms=end_ms, channels=list(CHANNELS), max_points=points
    )
    drawn = runtest_figure(
        samples, card, test.result, start_ms=start_ms, end_ms=end_ms, zone=_zone(desk, test.unit)
    )
    return Response(orjson.dumps(look.in_theme(read_in(drawn), theme)), media_type="application/json")


@router.post("/workshop/tests/{number}/say")
def say(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    number: RunTestPath,
    person: Annotated[Name, Form()],
    kind: Annotated[Literal["ambient", "shut", "opened", "note", "stopped"], Form()],
    ambient_c: Annotated[str, Form(max_length=12)] = "",
    note: _Long = "",
) -> Response:
    """Write down something said of a test, or end it by hand."""
    if kind in {"note", "stopped"} and not note.strip():
        raise HTTPException(422, _("Write down what it is about, or why the test is ended."))
    value = number_from(ambient_c) if kind == "ambient" else _LID.get(kind)
    told: RunTestSaidKind = "lid" if kind == "shut" or kind == "opened" else kind  # noqa: PLR1714 - mypy reads only this form
    desk.say_of_run_test(number, RunTestAdded(person=person, kind=told, value=value, note=note.strip()))
    response = RedirectResponse(f"/workshop/tests/{number}", status_code=303)
    remember(request, response, person)
    return response


def _certificate(desk: Desk, number: int, *, screen: bool) -> tuple[RunTestRecord, str]:
    test = desk.run_test(number)
    result = test.result
    if test.concluded is None or result is None:
        raise HTTPException(409, _("This test is not over: a certificate is printed of its result."))
    unit = desk.fleet().settings_of(test.unit)
    end_ms = max(result.end, result.start + MINUTE_MS)
    interval_s = certificate.INTERVAL_S if unit.interval_s is None else unit.interval_s
    points = points_for(result.start, end_ms, interval_s, certificate.MOST_BINS)
    samples = desk.samples(
        test.unit, start_ms=result.start, end_ms=end_ms, channels=list(CHANNELS), max_points=points
    )
    last = desk.test_before(test)
    view = certificate.view_of(
        test,
        result,
        unit,
        samples,
        last=None if last is None else last.result,
        last_number=None if last is None else last.id,
        printed_ms=desk.now_ms(),
    )
    page = written("certificate.html", css=Markup(certificate.style()), screen=screen, **view)  # noqa: S704 - our own file
    return test, page


@router.get("/workshop/tests/{number}/certificate", response_class=HTMLResponse)
def certificate_page(desk: AtDesk, number: RunTestPath) -> Response:
    """Show the certificate of a test; it prints as it stands."""
    page = _certificate(desk, number, screen=True)[1]
    policy = content_policy(styles=[text_hash(certificate.style())])
    return HTMLResponse(page, headers={"Content-Security-Policy": policy})


@router.get("/workshop/tests/{number}/certificate.pdf")
def certificate_pdf(desk: AtDesk, number: RunTestPath) -> Response:
    """Give the certificate of a test as PDF."""
    test, page = _certificate(desk, number, screen=False)
    return pdf_answer(lambda: pdf.laid_out(page), f"{test.unit}_test_{number}")
