"""The planner's page: will a trip hold, where is it weakest, and what would make it hold."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import planwords, text
from dashboards.figures.plan import Bands, bands
from dashboards.language import _, in_scale, scale
from dashboards.pages import tripform
from dashboards.pages.render import draw
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.domain import Quantiles
from services.domain.complaints import FleetFileError
from services.domain.plan import BankPlan, Plan, UnitPlan
from services.domain.trip import Trip
from services.domain.tripfile import parse_trip

router = APIRouter(include_in_schema=False)

Planner = Callable[[Trip], Plan]
"""What works a trip out; the composition root puts one on the application as ``state.planner``."""

_LONGEST = 20_000
_ONE_PLAN_AT_A_TIME = threading.Lock()
_PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True)
class Picture:
    """One bank or cabinet of a plan, in words and as a picture."""

    title: str
    words: tuple[str, ...]
    caption: str
    bands: Bands


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan in words."""

    name: str
    holds: bool
    headline: str
    banks: tuple[Picture, ...]
    units: tuple[Picture, ...]
    loads: tuple[str, ...]
    changes: tuple[tuple[bool, str], ...]
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    assumed: tuple[str, ...]
    cautions: tuple[str, ...]


def plan_view(made: Plan) -> PlanView:
    """Return a plan in words."""
    zone = ZoneInfo(made.timezone)
    banks = {bank.bank: bank for bank in made.banks}
    names = {unit.unit: unit.name for unit in made.units}
    return PlanView(
        name=made.name,
        holds=made.holds,
        headline=planwords.headline(made),
        banks=tuple(_bank(bank, made, names, zone) for bank in made.banks),
        units=tuple(_unit(unit, made, zone) for unit in made.units),
        loads=tuple(planwords.load_words(load, names[load.unit]) for load in made.loads),
        changes=tuple(
            (change.enough, planwords.change_words(change, banks[change.bank])) for change in made.changes
        ),
        heads=(_("Day"), _("Hour"), _("Doing"), _("Outside, %(scale)s", scale=scale()),
               *(f"{b.bank}, %" for b in made.banks),
               *(f"{u.name}, {scale()}" for u in made.units)),
        rows=tuple(_row(made, index, zone) for index in range(len(made.hours))),
        assumed=tuple(text.in_reader_scale(words) for words in made.assumed),
        cautions=made.cautions,
    )  # fmt: skip


def _bank(bank: BankPlan, made: Plan, names: Mapping[str, str], zone: ZoneInfo) -> Picture:
    words = [planwords.through(bank), planwords.weakest(bank, zone), *bank.remarks]
    if bank.engine_may_not_start is not None:
        words.insert(
            0,
            _("engine may not start from %(time)s", time=planwords.day_time(bank.engine_may_not_start, zone)),
        )
    percent = [Quantiles(p10=100 * q.p10, p50=100 * q.p50, p90=100 * q.p90) for q in bank.soc]
    feeds = ", ".join(names[unit] for unit in bank.units)
    return Picture(
        title=_(
            "%(bank)s, %(ah)s Ah: %(feeds)s", bank=bank.bank, ah=text.number(bank.capacity_ah, 0), feeds=feeds
        ),
        words=tuple(text.sentence(w) for w in words),
        caption=_("Charge from 0 to 100 %%; dashed: its cabinets cut out."),
        bands=bands(percent, made.hours, low=0.0, high=100.0, limit=100 * bank.cutout_soc.p50),
    )


def _unit(unit: UnitPlan, made: Plan, zone: ZoneInfo) -> Picture:
    known = [
        *(q.p90 for q in unit.food_c),
        unit.set_point_c,
        unit.set_point_c if unit.limit_c is None else unit.limit_c,
    ]
    low, high = min(q.p10 for q in unit.food_c) - 2.0, max(known) + 2.0
    ends = {"low": text.degrees(low, 0), "high": text.degrees(high, 0)}
    return Picture(
        title=unit.name,
        words=planwords.unit_words(unit, zone),
        caption=_("Food from %(low)s to %(high)s.", **ends)
        if unit.limit_c is None
        else _("Food from %(low)s to %(high)s; dashed: its limit.", **ends),
        bands=bands(unit.food_c, made.hours, low=low, high=high, limit=unit.limit_c),
    )


def _row(made: Plan, index: int, zone: ZoneInfo) -> tuple[str, ...]:
    hour = made.hours[index]
    return (
        str(hour.day),
        f"{text.local(hour.at, zone):%H:%M}",
        planwords.DOING[hour.doing],
        text.number(in_scale(hour.outside_c), 0),
        *(planwords.span(bank.soc[index], scale=100) for bank in made.banks),
        *(planwords.degrees_span(unit.food_c[index]).removesuffix(f" {scale()}") for unit in made.units),
    )


def _planner(request: Request) -> Planner:
    found: Planner | None = getattr(request.app.state, "planner", None)
    if found is None:
        raise HTTPException(
            503, _("No trip can be planned here: this application was started without a planner.")
        )
    return found


def _worked_out(request: Request, desk: Desk, file: str) -> tuple[PlanView | None, tuple[str, ...]]:
    """Return the plan of a trip file, or everything that is wrong with it."""
    planner = _planner(request)
    try:
        trip = parse_trip(file, name="trip", fleet=desk.fleet())
    except FleetFileError as error:
        return None, tuple(str(error).splitlines())
    if not _ONE_PLAN_AT_A_TIME.acquire(timeout=_PATIENCE_S):
        raise HTTPException(
            503, _("Another trip is being worked out. Try again shortly."), {"Retry-After": "30"}
        )
    try:
        return plan_view(planner(trip)), ()
    finally:
        _ONE_PLAN_AT_A_TIME.release()


def _page(request: Request, desk: Desk, given: Mapping[str, str], file: str) -> Response:
    made, faults = _worked_out(request, desk, file) if file else (None, ())
    fleet = desk.fleet()
    sites = tripform.plannable(fleet)
    tomorrow = tripform.tomorrow_at(desk.now_ms(), sites[0] if sites else None)
    context: dict[str, Any] = {
        "plan": made,
        "faults": faults,
        "file": file,
        "groups": tripform.fields(tomorrow),
        "given": {**tripform.defaults(tomorrow), **given},
        "sites": [(site.id, site.name) for site in sites],
        "units": [
            (unit, name, site.name)
            for site in sites
            for unit in tripform.units_of(fleet, site.id)
            for name in [next(u.name or u.id for u in fleet.units if u.id == unit)]
        ],
        "made": text.stamp(desk.now_ms(), UTC),
    }
    return draw(request, "plan.html", 422 if faults else 200, **context)


@router.get("/plan", response_class=HTMLResponse)
def plan_page(request: Request, desk: AtDesk) -> Response:
    """Show the form, and the plan where one was asked for."""
    given = {key: value[:40] for key, value in request.query_params.items()}
    chosen = given.get("site")
    if chosen is None:
        return _page(request, desk, given, "")
    fleet = desk.fleet()
    site = next((s for s in tripform.plannable(fleet) if s.id == chosen), None)
    if site is None:
        raise HTTPException(404, _("No place of that name has a cabinet in use on a described bank."))
    whole = {**tripform.defaults(tripform.tomorrow_at(desk.now_ms(), site)), **given}
    return _page(request, desk, given, tripform.trip_text(whole, fleet, site))


@router.post("/plan", response_class=HTMLResponse)
def plan_file(
    request: Request, desk: AtDesk, file: Annotated[str, Form(min_length=1, max_length=_LONGEST)]
) -> Response:
    """Work a trip file out as it was typed or pasted; nothing is kept."""
    return _page(request, desk, {}, file.replace("\r\n", "\n"))
