"""What happened: verdicts that changed, what people said of cabinets and of food, newest first."""

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Annotated, Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.language import Table, _
from dashboards.movedwords import account_words, described_words
from dashboards.pages.batch_views import batch_word, event_words
from dashboards.pages.forms import day_or_none
from dashboards.pages.render import draw
from dashboards.pages.tables import csv_answer
from dashboards.rolewords import signed_words, signer_words
from dashboards.saidwords import device_words, said_words
from services.api.access import asker_of
from services.api.batchdesk import UnknownBatchError
from services.api.desk import Desk
from services.api.lookback import ALL_KINDS, Described, Happening, HouseEvent, Kind, VerdictMove
from services.api.routes import AtDesk
from services.api.schemas import StatementRow
from services.domain import BatchEvent, Fleet, Site, Verdict
from services.timebase import MINUTE_MS, iso_of, ms_of

router = APIRouter(include_in_schema=False)

KINDS: Table[Kind] = Table(
    {
        "verdict": "Verdicts",
        "said": "Said of cabinets",
        "food": "Said of food",
        "moved": "Cabinets, places and banks described anew",
        "account": "Accounts and devices",
    }
)
_LINES, _LINES_IN_A_FILE = 200, 20_000
_DAYS = 7
_HEADS = (
    *("written_utc", "written_local", "about_utc"),
    *("place", "unit", "name", "batch", "kind", "who", "what"),
)
_ORIGINS: Table[str] = Table(
    {
        "live": "readings",
        "late": "readings that came late",
        "data": "readings",
        "person": "a person",
    }
)
_LATE_MS = MINUTE_MS
"""Written down later than this after the moment it is about, both times are shown."""
Id = Annotated[str, Query(pattern=r"^([a-z0-9-]{3,32})?$")]
Day = Annotated[str, Query(max_length=10)]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the history in words."""

    utc: str
    local: str
    about: str
    """The moment it is about, in the place's time; empty where it was written down at once."""
    unit: str
    name: str
    place: str
    batch: int | None
    who: str
    words: str
    mark: str
    """The verdict it tells of, empty where it tells of none."""
    no: str = ""
    """Number of the line, where a correction may name it."""
    corrected: str = ""
    """Number of the line that corrects it."""
    device: str = ""
    """What a phone's clock told, where it was kept on one."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Which part of the history is asked for."""

    start_ms: int
    end_ms: int
    units: frozenset[str] | None
    kinds: frozenset[Kind]
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class Names:
    """What cabinets and batches are called, and what time it is where they stand."""

    units: Mapping[str, str]
    sites: Mapping[str, Site]
    """By unit."""
    batches: Mapping[int, tuple[str, str]]
    """Name and food class."""
    places: Mapping[str, Site] = field(default_factory=dict)
    """By id, those that are seen."""
    corrected: Mapping[int, int] = field(default_factory=dict)
    """By line of what was said of a cabinet, the newest line that corrects it."""

    def zone(self, unit: str | None) -> ZoneInfo:
        """Return the zone of a cabinet's place."""
        site = self.sites.get(unit or "")
        return ZoneInfo("UTC" if site is None else site.timezone)


def names_of(desk: Desk, fleet: Fleet, found: Sequence[Happening]) -> Names:
    """Return the names that lines of the history need."""
    sites = {site.id: site for site in fleet.sites}
    batches = {}
    for number in {each.batch for each in found if each.batch is not None}:
        with contextlib.suppress(UnknownBatchError):  # it lies in somebody else's place now
            batch = desk.batch(number).batch
            batches[number] = (batch.what, batch.food_class)
    return Names(
        units={unit.id: unit.name or unit.id for unit in fleet.units},
        sites={unit.id: sites[unit.site] for unit in fleet.units if unit.site in sites},
        batches=batches,
        places=sites,
        corrected=desk.corrected_by([e.told for e in found if isinstance(e.told, StatementRow)]),
    )


def move_line(move: VerdictMove, food_class: str | None) -> str:
    """Return a change of verdict in a sentence."""

    def word(verdict: Verdict) -> str:
        return text.word(verdict) if food_class is None else batch_word(verdict, food_class)

    if move.before is None:
        lead = _("first verdict: %(verdict)s", verdict=word(move.standing))
    elif move.before is move.standing:
        lead = _(
            "computed: %(computed)s; %(standing)s stands",
            computed=word(move.computed),
            standing=word(move.standing),
        )
    else:
        lead = _("from %(before)s to %(after)s", before=word(move.before), after=word(move.standing))
        if move.computed is not move.standing:
            lead = _("%(verdict)s (computed: %(computed)s)", verdict=lead, computed=word(move.computed))
    return f"{text.sentence(lead)} {text.sentence(move.why)}"


def _told(each: Happening, names: Names) -> tuple[str, str, str]:
    """Return who, what and the mark of a line."""
    told = each.told
    if isinstance(told, Described):
        return signer_words(told.who, told.signed), described_words(told, names.places), ""
    if isinstance(told, HouseEvent):
        return told.who, account_words(told, names.places), ""
    what, food_class = names.batches.get(each.batch or 0, ("", ""))
    lead = f"{what}: " if what else ""
    if isinstance(told, StatementRow):
        return signer_words(told.who, told.signed), text.sentence(said_words(told)), ""
    if isinstance(told, BatchEvent):
        said = event_words(told, names.units).removeprefix(f"{told.who} ({signed_words(told.signed)}): ")
        return signer_words(told.who, told.signed), f"{lead}{said}", ""
    words = move_line(told, food_class or None)
    who = signer_words(told.who, told.signed) if told.who else _ORIGINS.get(told.origin, told.origin)
    return who, f"{lead}{words}", told.standing.value


def line_of(each: Happening, names: Names) -> Line:
    """Return one line of the history in words."""
    zone = names.zone(each.unit)
    who, words, mark = _told(each, names)
    site = names.sites.get(each.unit or "")
    late = abs(each.written_ms - each.t_ms) > _LATE_MS
    told, phone = each.told, getattr(each.told, "phone", None)
    no = told.id if isinstance(told, StatementRow) else None
    corrected = None if no is None else names.corrected.get(no)
    return Line(
        utc=text.stamp(each.written_ms, UTC),
        local=text.stamp(each.written_ms, zone),
        about=text.stamp(each.t_ms, zone) if late else "",
        unit="" if each.unit not in names.units else each.unit or "",
        name=names.units.get(each.unit or "", each.unit or _("no cabinet")),
        place="" if site is None else site.name,
        batch=each.batch,
        who=who,
        words=words,
        mark=mark,
        no="" if no is None else str(no),
        corrected="" if corrected is None else str(corrected),
        device=device_words(phone, zone),
    )


def _midnight_ms(day: date, zone: tzinfo) -> int:
    return ms_of(datetime(day.year, day.month, day.day, tzinfo=zone))


def asked_of(  # noqa: PLR0917 - a form has as many fields as it has
    fleet: Fleet, site: str, unit: str, first: str, last: str, kinds: Sequence[str], now_ms: int
) -> Asked:
    """Return which part of the history is asked for: by default the last seven days, of everything.

    Raises
    ------
    HTTPException
        404 for a place or cabinet nobody knows, 422 for days that do not run forward.
    """
    if unit and unit not in {u.id for u in fleet.units}:
        raise HTTPException(404, _("No cabinet is called %(unit)s.", unit=unit))
    place = next((s for s in fleet.sites if s.id == site), None)
    if site and place is None:
        raise HTTPException(404, _("No place is called %(site)s.", site=site))
    units: frozenset[str] | None = None
    if site or unit:
        units = frozenset(u.id for u in fleet.units if (not site or u.site == site) and unit in {"", u.id})
    own = next((u.site for u in fleet.units if u.id == unit), None) if unit else site
    zone: tzinfo = next((s.zone for s in fleet.sites if s.id == own), UTC)
    today = text.local(now_ms, zone).date()
    end, start = day_or_none(last) or today, day_or_none(first)
    start = end - timedelta(days=_DAYS - 1) if start is None else start
    if start > end:
        raise HTTPException(422, _("The last day lies before the first."))
    chosen: frozenset[Kind] = frozenset(kind for kind in KINDS if kind in kinds) or ALL_KINDS
    return Asked(_midnight_ms(start, zone), _midnight_ms(end + timedelta(days=1), zone), units, chosen, zone)


def _fields(fleet: Fleet, asked: Asked, site: str, unit: str, *, accounts: bool) -> dict[str, Any]:
    """Return what the form shows as chosen; accounts are offered to those who see them."""
    kinds = [kind for kind in KINDS if kind != "account" or accounts]
    return {
        "sites": [(s.id, s.name, s.id == site) for s in fleet.sites],
        "units": [(u.id, u.name or u.id, u.id == unit) for u in fleet.units if not site or u.site == site],
        "kinds": [(kind, KINDS[kind], kind in asked.kinds) for kind in kinds],
        "first": text.stamp(asked.start_ms, asked.zone)[:10],
        "last": text.stamp(asked.end_ms - 1, asked.zone)[:10],
    }


def _query(shown: Mapping[str, Any], site: str, unit: str) -> str:
    pairs = [("site", site), ("unit", unit), ("from", shown["first"]), ("to", shown["last"])]
    pairs += [("kind", kind) for kind, _, chosen in shown["kinds"] if chosen]
    return urlencode([(name, value) for name, value in pairs if value])


def _rest(found: Sequence[Happening]) -> str:
    """Return where the next page begins: hundreds of lines may have been written in one millisecond."""
    last_ms = found[-1].written_ms
    return urlencode({"before": last_ms + 1, "skip": sum(each.written_ms == last_ms for each in found)})


@router.get("/history", response_class=HTMLResponse)
def history(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    site: Id = "",
    unit: Id = "",
    first: Annotated[Day, Query(alias="from")] = "",
    last: Annotated[Day, Query(alias="to")] = "",
    kind: Annotated[list[str], Query(max_length=len(KINDS))] = [],  # noqa: B006 - the framework copies it
    before: Annotated[int | None, Query(ge=0, le=2**53)] = None,
    skip: Annotated[int, Query(ge=0, le=_LINES_IN_A_FILE)] = 0,
) -> Response:
    """Show what was written down in some days, newest first; it filters without a script."""
    fleet = desk.fleet()
    asked = asked_of(fleet, site, unit, first, last, kind, desk.now_ms())
    end_ms = asked.end_ms if before is None else min(before, asked.end_ms)
    found = desk.happenings(
        asked.start_ms, end_ms, units=asked.units, kinds=asked.kinds, limit=skip + _LINES + 1
    )
    more, found = len(found) > skip + _LINES, found[: skip + _LINES]
    rest, found = _rest(found) if more else "", found[skip:]
    names = names_of(desk, fleet, found)
    shown = _fields(fleet, asked, site, unit, accounts=asker_of(request).sees_accounts)
    query = _query(shown, site, unit)
    return draw(
        request,
        "history.html",
        lines=[line_of(each, names) for each in found],
        older=f"/history?{query}&{rest}" if rest else "",
        csv=f"/history.csv?{query}",
        zone=text.offset_name(asked.end_ms - 1, asked.zone),
        **shown,
    )


@router.get("/history.csv")
def history_csv(  # noqa: PLR0917 - a form has as many fields as it has
    desk: AtDesk,
    site: Id = "",
    unit: Id = "",
    first: Annotated[Day, Query(alias="from")] = "",
    last: Annotated[Day, Query(alias="to")] = "",
    kind: Annotated[list[str], Query(max_length=len(KINDS))] = [],  # noqa: B006 - the framework copies it
) -> Response:
    """Give the same as a file, up to twenty thousand lines."""
    fleet = desk.fleet()
    asked = asked_of(fleet, site, unit, first, last, kind, desk.now_ms())
    found = desk.happenings(
        asked.start_ms, asked.end_ms, units=asked.units, kinds=asked.kinds, limit=_LINES_IN_A_FILE + 1
    )
    if len(found) > _LINES_IN_A_FILE:
        raise HTTPException(422, _("That is more than a file of this page holds. Choose fewer days."))
    names = names_of(desk, fleet, found)
    rows = [_csv_row(each, names) for each in found]
    return csv_answer("history", _HEADS, rows)


def _csv_row(each: Happening, names: Names) -> list[str]:
    line = line_of(each, names)
    return [
        iso_of(each.written_ms),
        line.local,
        iso_of(each.t_ms),
        line.place,
        each.unit or "",
        line.name,
        "" if each.batch is None else str(each.batch),
        each.kind,
        line.who,
        line.words,
    ]
