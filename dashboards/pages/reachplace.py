"""Who is on call at a place, who hears next when nobody takes a notice, and who watches at night."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, Path, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from dashboards import reachwords, text
from dashboards.language import _
from dashboards.noticewords import PRIORITIES, ROLES
from dashboards.pages.people import remember, remembered
from dashboards.pages.reach import Time, is_office
from dashboards.pages.render import draw_phone
from dashboards.reachwords import clock_of, minute_of
from dashboards.wheres import zone_at
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import Name
from services.domain import ChainStep, NoticePriority, NoticeRole, OnCall, OnCallSaid
from services.errors import Refused
from services.timebase import datetime_of

router = APIRouter(include_in_schema=False)

Place = Annotated[str, Path(pattern=r"^[a-z0-9-]{3,32}$")]
MOST_STEPS = 5
_ROLES: tuple[NoticeRole, ...] = ("cook", "manager", "workshop", "administrator")
_SHOWN: tuple[NoticePriority, ...] = ("high", "medium")
_EVERYBODY, _ROLE, _PERSON = "everybody", "role:", "person:"


@router.get("/reach/places/{site}")
def place(request: Request, desk: AtDesk, site: Place) -> Response:
    """Show who is on call at a place, and the chain as it will be gone."""
    return _page(request, desk, site)


def _page(request: Request, desk: Desk, site: str, wrong: str = "") -> Response:
    on_call, crew, fleet = desk.on_call(site), desk.crew_at(site), desk.fleet()
    zone, now_ms = zone_at(fleet, site), desk.now_ms()
    local: datetime = datetime_of(now_ms).astimezone(zone)
    there = next(each for each in fleet.sites if each.id == site)
    first: NoticeRole = "cook" if there.kind in {"camp", "lodge"} else "manager"
    return draw_phone(
        request,
        "reach_place.html",
        409 if wrong else 200,
        wrong=wrong,
        site=there,
        now=reachwords.now_words(on_call, local.hour * 60 + local.minute, crew),
        chains=[(PRIORITIES[p], reachwords.chain_words(on_call, first, p, crew)) for p in _SHOWN],
        usual=not on_call.steps,
        said="" if on_call.said_ms is None else text.stamp(on_call.said_ms, zone),
        said_by=on_call.said_by,
        rows=_rows(on_call),
        role_words=[(f"{_ROLE}{role}", ROLES[role]) for role in _ROLES],
        names=[member.name for member in crew if member.role != "inspector"],
        watch=on_call.watch,
        watch_from="" if on_call.watch is None else clock_of(on_call.watch.from_min),
        watch_to="" if on_call.watch is None else clock_of(on_call.watch.to_min),
        office=is_office(request),
        people=desk.people(),
        who=remembered(request),
    )


def _rows(on_call: OnCall) -> list[tuple[str, str]]:
    """Return the steps as a form shows them, with empty ones to add to."""
    rows = [(_value(step), str(step.after_min)) for step in on_call.steps]
    return [*rows, *[("", "")] * (MOST_STEPS - len(rows))][:MOST_STEPS]


def _value(step: ChainStep) -> str:
    if step.person is not None:
        return f"{_PERSON}{step.person}"
    return _EVERYBODY if step.role is None else f"{_ROLE}{step.role}"


@router.post("/reach/places/{site}")
def lay_down(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    site: Place,
    person: Annotated[Name, Form()],
    step: Annotated[list[str], Form(max_length=MOST_STEPS)] = [],  # noqa: B006 - FastAPI copies it
    after: Annotated[list[str], Form(max_length=MOST_STEPS)] = [],  # noqa: B006 - FastAPI copies it
    watcher: Annotated[str, Form(max_length=80)] = "",
    watch_from: Time = "",
    watch_to: Time = "",
) -> Response:
    """Write down who hears next at a place, and who watches at night."""
    try:
        watch = _watch(watcher, watch_from, watch_to)
        said = {"who": person, "site": site, "steps": _steps(step, after), "watch": watch}
        desk.say_on_call(OnCallSaid.model_validate(said))
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        return _page(request, desk, site, text.sentence(first["msg"].removeprefix("Value error, ")))
    except Refused as error:
        return _page(request, desk, site, str(error))
    response = RedirectResponse(f"/reach/places/{site}", 303)
    remember(request, response, person)
    return response


def _steps(step: Sequence[str], after: Sequence[str]) -> list[dict[str, object]]:
    """Return the steps a form gave, the sooner first; rows without anybody are none."""
    found: list[dict[str, object]] = []
    for who, minutes in zip(step, after, strict=False):
        if not who:
            continue
        if not minutes.strip().isdecimal():
            raise Refused(_("After how many minutes? A whole number."))
        named: dict[str, object] = {"after_min": int(minutes)}
        if who.startswith(_PERSON):
            named["person"] = who.removeprefix(_PERSON)
        elif who.startswith(_ROLE):
            named["role"] = who.removeprefix(_ROLE)
        found.append(named)
    return sorted(found, key=lambda each: int(str(each["after_min"])))


def _watch(watcher: str, watch_from: str, watch_to: str) -> dict[str, object] | None:
    """Return the night watch a form gave; without hours there is none."""
    try:
        hours = minute_of(watch_from), minute_of(watch_to)
    except ValueError:
        raise Refused(_("A time of day looks like 22:00.")) from None
    if None in hours:
        if watcher:
            raise Refused(_("From when to when is the watch kept?"))
        return None
    return {"person": watcher or None, "from_min": hours[0], "to_min": hours[1]}
