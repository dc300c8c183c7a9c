"""What a link in a message leads to: the notice, and one button by which whom it was sent to takes it.

Looking at it does nothing: scanners of mail follow every link.
"""

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from dashboards import noticewords
from dashboards.language import Phrase, Reader, _, read_by
from dashboards.pages.render import draw_phone
from dashboards.wheres import names_of, zone_at
from services.api.desk import Desk
from services.domain import Notice
from services.domain.telling import ReachLink
from services.errors import Refused

router = APIRouter(include_in_schema=False)

Secret = Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{22}$")]
_OVER = Phrase("It is over. Nothing is to be done.")


def _desk(request: Request) -> Desk:
    """Return the desk of the house: whoever holds a link need not log in to read what was sent."""
    desk: Desk = request.app.state.desk
    return desk


def _why_not(link: ReachLink, notice: Notice, now_ms: int) -> str:
    """Return why the link answers nothing any more, empty where it does."""
    if notice.taken_by is not None:
        return _("%(who)s has taken it already.", who=notice.taken_by)
    if notice.ended is not None or not notice.active:
        return _OVER()
    if link.used_ms is not None:
        return _("This link was used already. Log in to take it again.")
    if link.expires_ms <= now_ms:
        return _("This link is too old. Log in to take the notice.")
    return ""


def _page(request: Request, secret: str, *, done: bool = False, wrong: str = "") -> Response:
    desk = _desk(request)
    link, notice = desk.link(secret)
    with read_by(Reader(link.language)):
        fleet, now_ms = desk.fleet(), desk.now_ms()
        view = noticewords.view(
            notice,
            names_of(fleet),
            zone=zone_at(fleet, notice.site),
            now_ms=now_ms,
        )
        why = "" if done else wrong or _why_not(link, notice, now_ms)
        page = draw_phone(
            request,
            "answer.html",
            409 if wrong else 200,
            notice=view,
            who=link.person,
            secret=secret,
            done=done,
            why=why,
        )
    page.headers["Cache-Control"] = "no-store"
    return page


@router.get("/t/{secret}")
def look(request: Request, secret: Secret) -> Response:
    """Show the notice of a link, and whether it still answers."""
    return _page(request, secret)


@router.post("/t/{secret}")
def take(request: Request, secret: Secret) -> Response:
    """Take the notice as whom the link was sent to."""
    desk = _desk(request)
    link, _notice = desk.link(secret)
    try:
        desk.take_by_link(secret)
    except Refused as error:
        with read_by(Reader(link.language)):
            return _page(
                request, secret, wrong=_why_not(link, desk.link(secret)[1], desk.now_ms()) or str(error)
            )
    return _page(request, secret, done=True)
