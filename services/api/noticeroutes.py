"""The routes of notices, under ``/api/v1``."""

from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, StringConstraints

from services.api.noticedesk import NoticeHistory
from services.api.routes import PREFIX, AtDesk
from services.api.schemas import Listing, Name, Wire, Words
from services.domain import ByPerson, Notice, NoticeSaid
from services.domain.noticerates import NoticeRates
from services.timebase import DAY_MS

router = APIRouter(prefix=PREFIX, tags=["notices"])

NoticePath = Annotated[int, Path(ge=1, le=2**62, description="Number of the notice.")]
_Site = Annotated[str | None, Query(pattern=r"^[a-z0-9-]{3,32}$", description="Id of a site.")]


class Seen(Wire):
    """Somebody has seen a notice and takes it; with a remark, if there is one."""

    person: Name
    note: Annotated[str, StringConstraints(max_length=500, strip_whitespace=True)] = ""


class PutAside(Wire):
    """Somebody puts a notice aside until an end, and says why."""

    person: Name
    reason: Words
    until: AwareDatetime


class OutOfService(Wire):
    """Somebody takes what a notice is about out of service, or puts it back, and says why."""

    person: Name
    reason: Words
    back: bool = False


@router.get("/notices")
def notices(
    desk: AtDesk,
    site: _Site = None,
    over_days: Annotated[int, Query(ge=0, le=366, description="Also those over within so many days.")] = 0,
) -> Listing[Notice]:
    """List notices, the most urgent first."""
    since_ms = desk.now_ms() - over_days * DAY_MS if over_days else None
    return Listing(items=tuple(desk.notices(over_since_ms=since_ms, site=site)))


@router.get("/notices/rates")
def rates(desk: AtDesk) -> NoticeRates:
    """Show how much was told in the last week, whom it reached, and what standards call bearable."""
    return desk.notice_rates()


@router.get("/notices/{number}")
def notice(desk: AtDesk, number: NoticePath) -> NoticeHistory:
    """Show one notice with every line of its history."""
    found = desk.notice(number)
    return NoticeHistory(notice=found, lines=found.lines)


@router.post("/notices/{number}/acknowledge", status_code=201)
def acknowledge(desk: AtDesk, number: NoticePath, seen: Seen) -> Notice:
    """Say that somebody has seen a notice and takes it; this changes no verdict."""
    return desk.say_of_notice(number, NoticeSaid(person=seen.person, kind="acknowledged", reason=seen.note))


@router.post("/notices/{number}/shelve", status_code=201)
def shelve(desk: AtDesk, number: NoticePath, aside: PutAside) -> Notice:
    """Put a notice aside until an end, for a day at most; never what food hangs on."""
    said = NoticeSaid(person=aside.person, kind="shelved", reason=aside.reason, until=aside.until)
    return desk.say_of_notice(number, said)


@router.post("/notices/{number}/out-of-service", status_code=201)
def out_of_service(desk: AtDesk, number: NoticePath, out: OutOfService) -> Notice:
    """Take what a notice is about out of service, or put a notice back that was put aside."""
    kind: ByPerson = "back" if out.back else "out_of_service"
    return desk.say_of_notice(number, NoticeSaid(person=out.person, kind=kind, reason=out.reason))
