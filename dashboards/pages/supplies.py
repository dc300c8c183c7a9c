"""What the next supply run has to bring: food thrown away since a day, and food that is held."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import foodwords, text
from dashboards.language import FoodPhrase, Table, _, ngettext
from dashboards.lost import Lost, Need, Thrown, by_place, lost, needs
from dashboards.pages.forms import day_or_none
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from dashboards.pages.tables import csv_answer
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import StatementRow
from services.domain import Fleet
from services.timebase import DAY_MS, ms_of

router = APIRouter(include_in_schema=False)

_DAYS = 7
_LONGEST_DAYS = 366
_MOST_STATEMENTS = 20_000
_FATES: Table[str] = Table(
    {
        "discarded": "discarded",
        "held": "on hold: may have to be replaced",
    }
)
_MEDICINE = FoodPhrase("medicine: ask the pharmacist")
_HEADS = ("place", "unit", "cabinet", "state", "since_utc", "what", "class", "quantity", "measure", "batch")
Day = Annotated[str, Query(alias="from", max_length=10)]


@dataclass(frozen=True, slots=True)
class LostLine:
    """One loss in words."""

    unit: str
    cabinet: str
    what: str
    kind: str
    amount: str
    fate: str
    when: str
    batch: int | None


@dataclass(frozen=True, slots=True)
class PlaceNeeds:
    """What one place lost."""

    name: str
    bring: tuple[str, ...]
    lines: tuple[LostLine, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """Everything lost since a day."""

    first: date
    fleet: Fleet
    lines: list[Lost]


def _found(desk: Desk, typed: str) -> Found:
    now_ms = desk.now_ms()
    today = text.local(now_ms, UTC).date()
    first = day_or_none(typed) or today - timedelta(days=_DAYS)
    if not 0 <= (today - first).days <= _LONGEST_DAYS:
        raise HTTPException(422, _("The first day lies in the year behind us."))
    start_ms, end_ms = ms_of(datetime(first.year, first.month, first.day, tzinfo=UTC)), now_ms + DAY_MS
    said = desk.happenings(start_ms, end_ms, kinds={"said"}, limit=_MOST_STATEMENTS)
    thrown = [
        Thrown(each.told.unit, each.told.t_ms)
        for each in said
        if isinstance(each.told, StatementRow) and each.told.body.get("disposition") == "discarded"
    ]
    found = lost(desk.batches_discarded(start_ms, end_ms), desk.batches(), thrown, desk.cards())
    return Found(first, desk.fleet(), found)


def _what(each: Lost) -> str:
    if each.what:
        return each.what
    return (
        _("all that was in it; nobody had written down what")
        if each.fate == "discarded"
        else (_("what is in it; nobody has written down what"))
    )


def _line(each: Lost, fleet: Fleet, now_ms: int) -> LostLine:
    unit = next((u for u in fleet.units if u.id == each.unit), None)
    site = None if unit is None else next((s for s in fleet.sites if s.id == unit.site), None)
    zone = UTC if site is None else site.zone
    return LostLine(
        unit="" if unit is None else unit.id,
        cabinet=each.unit or _("a cabinet nobody named") if unit is None else unit.name or unit.id,
        what=_what(each),
        kind=foodwords.CLASSES[each.food_class],
        amount=foodwords.quantity(each.quantity, each.quantity_unit) or _("amount not known"),
        fate=_MEDICINE() if each.medicine else _FATES[each.fate],
        when="" if each.t_ms is None else text.clock(each.t_ms, zone, now_ms),
        batch=each.batch,
    )


def need_words(need: Need) -> str:
    """Return how much to bring of one class of food."""
    kind = foodwords.CLASSES[need.food_class]
    if need.uncounted:
        return ngettext(
            "%(kind)s: %(num)s time without an amount written down, ask there",
            "%(kind)s: %(num)s times without an amount written down, ask there",
            need.uncounted,
            kind=kind,
        )
    return f"{kind}: {foodwords.quantity(need.quantity, need.quantity_unit)}"


@router.get("/supplies", response_class=HTMLResponse)
def supplies(request: Request, desk: AtDesk, first: Day = "") -> Response:
    """Show by place what was lost since a day; it prints as it stands."""
    live = live_of(desk)
    found, now_ms = _found(desk, first), desk.now_ms()
    names = {site.id: site.name for site in found.fleet.sites}
    places = [
        PlaceNeeds(
            name=names.get(place, _("no place known")),
            bring=tuple(need_words(need) for need in needs(lines)),
            lines=tuple(_line(each, found.fleet, now_ms) for each in lines),
        )
        for place, lines in by_place(found.lines, found.fleet).items()
    ]
    return draw(
        request,
        "supplies.html",
        first=found.first.isoformat(),
        places=places,
        discarded=sum(each.fate == "discarded" for each in found.lines),
        held=sum(each.fate == "held" for each in found.lines),
        live=live,
    )


@router.get("/supplies.csv")
def supplies_csv(desk: AtDesk, first: Day = "") -> Response:
    """Give the same lines as a file."""
    found, now_ms = _found(desk, first), desk.now_ms()
    names = {site.id: site.name for site in found.fleet.sites}
    rows = []
    for place, lines in by_place(found.lines, found.fleet).items():
        for each in lines:
            line = _line(each, found.fleet, now_ms)
            rows.append(
                [
                    names.get(place, ""),
                    each.unit,
                    line.cabinet,
                    line.fate,
                    "" if each.t_ms is None else text.stamp(each.t_ms, UTC),
                    line.what,
                    line.kind,
                    "" if each.quantity is None else f"{each.quantity:g}",
                    each.quantity_unit,
                    "" if each.batch is None else str(each.batch),
                ]
            )
    return csv_answer(f"supplies-since-{found.first.isoformat()}", _HEADS, rows)
