"""Notices: what stands and who has taken it, what passed, how much is told; and what people say of one."""

from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import noticewords, reachwords, text
from dashboards.language import _
from dashboards.noticewords import Names, NoticeView
from dashboards.pages.lively import live_of
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw
from dashboards.radiowords import radio
from services.api.access import HANDS, asker_of
from services.api.desk import Desk
from services.api.noticeroutes import NoticePath
from services.api.routes import AtDesk
from services.api.schemas import Name
from services.domain import ByPerson, Notice, NoticeSaid
from services.domain.noticerates import NoticeRates
from services.timebase import DAY_MS, HOUR_MS, datetime_of

router = APIRouter(include_in_schema=False)

OVER_FOR_MS = 7 * DAY_MS
"""How long what is over stays on the page; all of it is in the records."""
ASIDE_H = (1, 4, 12, 24)


def writes(request: Request) -> bool:
    """Return whether whoever asks may answer notices."""
    asker = asker_of(request)
    return asker.sees_all or asker.role in HANDS


def names_of(desk: Desk) -> Names:
    """Return what the house calls its things."""
    fleet = desk.fleet()
    return Names(
        units={unit.id: unit.name or unit.id for unit in fleet.units},
        sites={site.id: site.name for site in fleet.sites},
    )


def _zone(desk: Desk, notice: Notice) -> ZoneInfo:
    """Return the zone of a notice's place; of the house the one zone there is, else UTC."""
    zones = {site.id: site.timezone for site in desk.sites()}
    every = set(zones.values())
    return ZoneInfo(zones.get(notice.site or "") or (every.pop() if len(every) == 1 else "UTC"))


def _view(desk: Desk, notice: Notice, names: Names) -> NoticeView:
    return noticewords.view(notice, names, zone=_zone(desk, notice), now_ms=desk.now_ms())


@router.get("/notices", response_class=HTMLResponse)
def every_notice(request: Request, desk: AtDesk) -> Response:
    """Show what stands, the most urgent first, what passed, what is put aside, and how much is told."""
    live = live_of(desk)
    names = names_of(desk)
    found = desk.notices(over_since_ms=desk.now_ms() - OVER_FOR_MS)
    views = {notice.id: _view(desk, notice, names) for notice in found}
    open_ = [notice for notice in found if notice.ended is None]
    over = sorted((-n.ended, n.id) for n in found if n.ended is not None)
    rates = desk.notice_rates()
    return draw(
        request,
        "notices.html",
        live=live,
        standing=[views[n.id] for n in open_ if n.state in {"new", "acknowledged"}],
        passed=[views[n.id] for n in open_ if n.state == "returned"],
        aside=[views[n.id] for n in open_ if n.state in {"shelved", "out_of_service"}],
        over=[views[number] for _ended, number in over],
        rates=rates,
        measured=noticewords.measured(rates),
        reached=[(noticewords.whom_words(r, names), r) for r in rates.reached],
        offenders=_offenders(desk, rates, names),
        by_design=_by_design(desk),
        stale=[_view(desk, notice, names) for notice in open_ if notice.id in rates.stale],
        writes=writes(request),
        people=desk.people(),
        who=remembered(request),
    )


def _by_design(desk: Desk) -> list[tuple[str, str, str]]:
    """Return cabinets nothing is told of but a hold, and why: id, name, words."""
    tested = {test.unit for test in desk.run_tests(running=True)}
    words = {card.unit: text.STATES[card.state] for card in desk.cards() if card.state != "in_use"}
    words |= dict.fromkeys(tested, _("in a test"))
    return [(c.unit, c.name, words[c.unit]) for c in desk.cards() if c.unit in words]


def _offenders(desk: Desk, rates: NoticeRates, names: Names) -> list[tuple[int, str, str, int]]:
    """Return causes that were told often: number of the newest notice, kind, what it is about, how often."""
    return [
        (
            each.notice,
            noticewords.KINDS[each.kind],
            noticewords.about_words(desk.notice(each.notice), names),
            each.count,
        )
        for each in rates.offenders
    ]


@router.get("/notices/{number}", response_class=HTMLResponse)
def one(request: Request, desk: AtDesk, number: NoticePath) -> Response:
    """Show one notice, everything that became of it, and the forms to answer it."""
    live = live_of(desk)
    notice, names = desk.notice(number), names_of(desk)
    zone = _zone(desk, notice)
    return draw(
        request,
        "notice.html",
        live=live,
        notice=_view(desk, notice, names),
        lines=[noticewords.line_words(line, zone) for line in notice.lines],
        zone=text.offset_name(desk.now_ms(), zone),
        over=notice.ended is not None,
        away=notice.state in {"shelved", "out_of_service"} and notice.ended is None,
        hours=ASIDE_H,
        latched=notice.latched,
        told=reachwords.told_views(desk.told_of(notice), zone, desk.now_ms()),
        untaken=reachwords.untaken_words(notice, desk.told_of(notice), zone, desk.now_ms()),
        radio="" if notice.priority == "low" else _radio(desk, notice, names),
        writes=writes(request),
        people=desk.people(),
        who=remembered(request),
    )


def _radio(desk: Desk, notice: Notice, names: Names) -> str:
    """Return what to say over the radio, with where food could go at its place."""
    cards = [card for card in desk.cards() if card.site == notice.site]
    return radio(notice, names, cards, desk.now_ms())


@router.post("/notices/{number}/say")
def say(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    number: NoticePath,
    person: Annotated[Name, Form()],
    kind: Annotated[ByPerson, Form()],
    reason: Annotated[str, Form(max_length=500)] = "",
    hours: Annotated[int, Form(ge=1, le=24)] = 1,
    back: Annotated[str, Form(pattern=r"^(list|one|/camp/[a-z0-9-]{3,32})$")] = "one",
) -> Response:
    """Write down what a named person says of a notice."""
    if kind in {"shelved", "out_of_service"} and not reason.strip():
        raise HTTPException(422, _("Say why it is put aside."))
    until = datetime_of(desk.now_ms() + hours * HOUR_MS) if kind == "shelved" else None
    desk.say_of_notice(number, NoticeSaid(person=person, kind=kind, reason=reason.strip(), until=until))
    at = {"list": "/notices", "one": f"/notices/{number}"}.get(back, back)
    response = RedirectResponse(at, status_code=303)
    remember(request, response, person)
    return response
