"""How people are reached: their ways, a test of each, and what went out; an address is enough."""

from collections.abc import Mapping
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Path, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from dashboards import reachwords, text
from dashboards.language import LANGUAGES, _, reader
from dashboards.messagewords import trial_words
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw_phone
from dashboards.reachwords import minute_of
from services.api.access import OFFICE, asker_of
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import Name
from services.domain import NoticePriority, WayKind, WaySaid
from services.domain.telling import Written
from services.errors import Refused

router = APIRouter(include_in_schema=False)

WayPath = Annotated[int, Path(ge=1, le=2**62)]
Time = Annotated[str, Form(pattern=r"^([0-2]\d:[0-5]\d(:[0-5]\d)?)?$")]
Tick = Annotated[Literal["yes", ""], Form()]
SiteField = Annotated[str, Form(pattern=r"^([a-z0-9-]{3,32})?$")]
MOST_SHOWN = 200


def is_office(request: Request) -> bool:
    """Return whether whoever asks sets up ways for others."""
    asker = asker_of(request)
    office = asker.kind == "person" and asker.role in OFFICE and asker.sites is None
    return asker.sees_all or office


def house_zone(desk: Desk) -> ZoneInfo:
    """Return the one zone of the places that are seen, else UTC."""
    zones = {site.timezone for site in desk.sites()}
    return ZoneInfo(zones.pop() if len(zones) == 1 else "UTC")


def _person(request: Request) -> str | None:
    """Return whose ways are shown where it is one person's page."""
    asker = asker_of(request)
    return None if is_office(request) or asker.kind != "person" else asker.name


@router.get("/reach")
def ways(request: Request, desk: AtDesk) -> Response:
    """Show how people are reached, and the forms to change it."""
    return _page(request, desk)


def _page(request: Request, desk: Desk, wrong: str = "") -> Response:
    now_ms, zone = desk.now_ms(), house_zone(desk)
    places = {site.id: site.name for site in desk.sites()}
    views = [reachwords.way_view(each, places, zone, now_ms) for each in desk.ways_tried()]
    whose: dict[str, list[reachwords.WayView]] = {}
    for view in views:
        whose.setdefault(view.way.person or places.get(view.way.site or "", ""), []).append(view)
    names = sorted({person.name for person in desk.fleet().people if person.role != "inspector"})
    missing = [name for name in names if name not in whose] if is_office(request) else []
    return draw_phone(
        request,
        "reach.html",
        409 if wrong else 200,
        wrong=wrong,
        whose=whose,
        missing=missing,
        own=_person(request),
        office=is_office(request),
        names=names,
        people=desk.people(),
        who=remembered(request),
        places=places,
        languages=LANGUAGES,
        language=reader().language,
        least=reachwords.LEAST,
        kinds=reachwords.KINDS,
        lost=sum(sent.state == "not_delivered" for sent in desk.outbox()),
    )


@router.post("/reach/add")
def add(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    person: Annotated[Name, Form()],
    target: Annotated[str, Form(min_length=1, max_length=500)],
    whose: Annotated[str, Form(max_length=80)] = "",
    site: SiteField = "",
    kind: Annotated[WayKind, Form()] = "mail",
    language: Annotated[str, Form(max_length=8)] = "en",
    least: Annotated[NoticePriority, Form()] = "medium",
    quiet_from: Time = "",
    quiet_to: Time = "",
    digests: Tick = "",
    nothing_too: Tick = "",
) -> Response:
    """Write down a new way, and send a test over it at once."""
    said = {
        "who": person, "person": _whose(request, whose, kind), "site": site or None, "kind": kind,
        "target": target, "language": language, "least": least,
        "digests": digests == "yes", "nothing_too": nothing_too == "yes",
    }  # fmt: skip
    try:
        number = desk.say_way(_said(said, quiet_from, quiet_to))
        desk.send_test(number, _trial(desk, person, language))
    except Refused as error:
        return _page(request, desk, str(error))
    return _back(request, person, number)


def _whose(request: Request, whose: str, kind: WayKind) -> str | None:
    """Return whom a way reaches: oneself, or whom the office names; a thing of a place is nobody's."""
    own = _person(request)
    if own is not None:
        return own
    return None if kind == "lamp" or not whose.strip() else whose


def _said(fields: Mapping[str, object], quiet_from: str, quiet_to: str) -> WaySaid:
    """Return what a form says.

    Raises
    ------
    Refused
        In the words of what is wrong with it.
    """
    if fields["language"] not in LANGUAGES:
        raise Refused(_("There is no such language here."))
    try:
        quiet = {"quiet_from_min": minute_of(quiet_from), "quiet_to_min": minute_of(quiet_to)}
        return WaySaid.model_validate({**fields, **quiet})
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise Refused(text.sentence(first["msg"].removeprefix("Value error, "))) from None
    except ValueError:
        raise Refused(_("A time of day looks like 22:00.")) from None


def _trial(desk: Desk, who: str, language: str) -> Written:
    at = f"{text.stamp(desk.now_ms(), house_zone(desk))}"
    house = ", ".join(site.name for site in desk.sites()[:3])
    return trial_words(language, who=who, house=house, at=at)


def _back(request: Request, person: str, number: int) -> Response:
    response = RedirectResponse(f"/reach#way-{number}", 303)
    remember(request, response, person)
    return response


@router.post("/reach/{way}/change")
def change(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    way: WayPath,
    person: Annotated[Name, Form()],
    target: Annotated[str, Form(max_length=500)] = "",
    site: SiteField = "",
    language: Annotated[str, Form(max_length=8)] = "en",
    least: Annotated[NoticePriority, Form()] = "medium",
    quiet_from: Time = "",
    quiet_to: Time = "",
    digests: Tick = "",
    nothing_too: Tick = "",
) -> Response:
    """Write down what a way shall be from now on; an address left empty stays."""
    try:
        kept = desk.way(way)
        said = {
            "who": person, "person": kept.person, "site": site or None, "kind": kept.kind,
            "target": target.strip() or kept.target, "language": language, "least": least,
            "digests": digests == "yes", "nothing_too": nothing_too == "yes",
        }  # fmt: skip
        desk.say_way(_said(said, quiet_from, quiet_to), way)
    except Refused as error:
        return _page(request, desk, str(error))
    return _back(request, person, way)


@router.post("/reach/{way}/do")
def do(
    request: Request,
    desk: AtDesk,
    way: WayPath,
    person: Annotated[Name, Form()],
    what: Annotated[Literal["test", "off", "on", "remove"], Form()],
) -> Response:
    """Send a test, let a way rest, use it again, or take it away."""
    try:
        match what:
            case "test":
                desk.send_test(way, _trial(desk, person, desk.way(way).language))
            case "remove":
                desk.drop_way(way, who=person)
            case _:
                desk.set_way_off(way, off=what == "off", who=person)
    except Refused as error:
        return _page(request, desk, str(error))
    return _back(request, person, way)


@router.get("/reach/messages")
def messages(request: Request, desk: AtDesk) -> Response:
    """Show what went out in the last days, what reached nobody first."""
    now_ms, zone = desk.now_ms(), house_zone(desk)
    sent = list(desk.outbox())
    views = [(each.state, reachwords.sent_view(each, zone, now_ms)) for each in sent]
    return draw_phone(
        request,
        "reach_messages.html",
        lost=[view for state, view in views if state == "not_delivered"][:MOST_SHOWN],
        waiting=[view for state, view in views if state == "waiting"][:MOST_SHOWN],
        sent=[view for state, view in views if state == "sent"][:MOST_SHOWN],
        zone=text.offset_name(now_ms, zone),
    )
