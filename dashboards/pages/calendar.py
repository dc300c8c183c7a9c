"""What has to be done before each vehicle leaves, in order, and what to carry; the same as files."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import text
from dashboards.duelist import KINDS, DueItem, PlaceDue, by_place, carry_words, due_items
from dashboards.jobwords import parts_words
from dashboards.language import _
from dashboards.natural import natural
from dashboards.pages.jobforms import moment_or_none
from dashboards.pages.jobs import writes
from dashboards.pages.people import remember, remembered
from dashboards.pages.printing import file_answer
from dashboards.pages.render import draw
from dashboards.pages.tables import csv_answer
from dashboards.reports import duefile
from services.api.routes import AtDesk
from services.api.schemas import Name
from services.domain import DepartureSaid, Site
from services.errors import Refused
from services.timebase import DAY_MS

router = APIRouter(include_in_schema=False)

_LATER_SHOWN_MS = 120 * DAY_MS
"""How far ahead the page looks (judgement); the files hold everything."""
_MOBILE = frozenset({"vehicle", "trailer"})


Choice = Annotated[str, Query(max_length=40)]


@dataclass(frozen=True, slots=True)
class ItemView:
    """One thing to do in words."""

    unit: str
    name: str
    what: str
    kind: str
    why: str
    due: str
    undated: str
    """Why something that presses has no date."""
    late: bool
    parts: str
    job: int | None
    work: str


@dataclass(frozen=True, slots=True)
class PlaceView:
    """One place in words."""

    key: str
    name: str
    leaves: str
    by: str
    before: tuple[ItemView, ...]
    later: tuple[ItemView, ...]
    more: int
    """Things further ahead than the page looks."""
    unrecorded: tuple[tuple[str, str, str], ...]
    """Unit, its name, and what was never recorded of it."""
    carry: str


def _item(item: DueItem, now_ms: int) -> ItemView:
    if item.day is not None:
        due, undated = item.day.isoformat(), ""
    elif item.pressing:
        due, undated = _("before the next trip"), item.no_date
    else:
        due, undated = item.no_date, ""
    return ItemView(
        unit=item.unit,
        name=item.name,
        what=item.what,
        kind=KINDS[item.kind],
        why=item.why,
        due=due,
        undated=undated,
        late=item.due_ms is not None and item.due_ms < now_ms,
        parts=parts_words(item.parts),
        job=item.job,
        work=item.work,
    )


def _unrecorded(items: tuple[DueItem, ...]) -> tuple[tuple[str, str, str], ...]:
    found: dict[tuple[str, str], list[str]] = {}
    for item in items:
        found.setdefault((item.unit, item.name), []).append(item.what)
    return tuple(
        (unit, name, ", ".join(whats))
        for (unit, name), whats in sorted(found.items(), key=lambda each: natural(each[0][1]))
    )


def _place(place: PlaceDue, now_ms: int) -> PlaceView:
    site, leaving = place.site, place.departure
    later = [i for i in place.later if i.due_ms is None or i.due_ms <= now_ms + _LATER_SHOWN_MS]
    return PlaceView(
        key="" if site is None else site.id,
        name=_("no place given") if site is None else site.name,
        leaves="" if leaving is None or site is None else _leaves(site, leaving.leaves),
        by="" if leaving is None else leaving.who,
        before=tuple(_item(i, now_ms) for i in place.before),
        later=tuple(_item(i, now_ms) for i in later),
        more=len(place.later) - len(later),
        unrecorded=_unrecorded(place.unrecorded),
        carry=carry_words(place.carry),
    )


def _leaves(site: Site, leaves_ms: int) -> str:
    return f"{text.stamp(leaves_ms, site.zone)} {text.offset_name(leaves_ms, site.zone)}"


@router.get("/workshop/calendar", response_class=HTMLResponse)
def calendar(request: Request, desk: AtDesk, site: Choice = "", leaves: Choice = "") -> Response:
    """Show every place: when it leaves next, what has to be done before, and what to carry.

    `site` and `leaves` fill in the form, for whoever comes from a planned trip.
    """
    now_ms, items = desk.now_ms(), due_items(desk)
    sites = sorted(desk.fleet().sites, key=lambda s: (s.kind not in _MOBILE, natural(s.name)))
    return draw(
        request,
        "calendar.html",
        places=[_place(place, now_ms) for place in by_place(desk, items)],
        sites=[(site.id, site.name) for site in sites],
        writes=writes(request),
        people=desk.people(),
        who=remembered(request),
        chosen=(site, leaves),
        built_in=not desk.fleet().service_rules,
    )


@router.post("/workshop/departures")
def departure(
    request: Request,
    desk: AtDesk,
    site: Annotated[str, Form(pattern=r"^[a-z0-9-]{3,32}$")],
    person: Annotated[Name, Form()],
    leaves: Annotated[str, Form(max_length=40)] = "",
) -> Response:
    """Write down when a vehicle leaves next; left empty, none is planned."""
    place = next((s for s in desk.fleet().sites if s.id == site), None)
    if place is None:
        raise Refused(f"There is no site {site!r}.")
    desk.say_departure(DepartureSaid(person=person, site=site, leaves=moment_or_none(leaves, place.zone)))
    response = RedirectResponse(f"/workshop/calendar#{site}", status_code=303)
    remember(request, response, person)
    return response


@router.get("/workshop/calendar.ics")
def calendar_file(desk: AtDesk) -> Response:
    """Give what has a date, and departures, as a calendar."""
    items, now_ms = due_items(desk), desk.now_ms()
    made = duefile.calendar_bytes(items, by_place(desk, items), now_ms=now_ms)
    return file_answer(made, "text/calendar; charset=utf-8", f"{duefile.file_name(now_ms)}.ics")


@router.get("/workshop/due.csv")
def due_file(desk: AtDesk) -> Response:
    """Give everything due as CSV."""
    items = due_items(desk)
    rows = duefile.due_rows(items, by_place(desk, items))
    return csv_answer(duefile.file_name(desk.now_ms()), list(duefile.HEADS), rows)
