"""Food goes into a cabinet: two taps where a template fits, a long form where it does not."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from pydantic import BaseModel, ConfigDict
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import foodwords, text
from dashboards.kitchen import Kitchen, sorted_kitchen
from dashboards.language import _, food
from dashboards.pages.batch_views import BatchView, batch_view
from dashboards.pages.camp import larder_of, site_of
from dashboards.pages.forms import amount_or_none, as_typed, day_or_none, happened_ms, temperature_or_none
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw_phone
from dashboards.pages.views import CardView, card_view
from dashboards.urgency import in_order
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import Name
from services.domain import BatchCard, BatchNew, BatchTemplate, FoodClass, UnitCard

router = APIRouter(include_in_schema=False)

TAPPED_TWICE_MS = 3_000
"""The same food by the same person within this time is one tap too many, not one tray more (judgement)."""


class PutIn(BaseModel):
    """What both forms send: the short one a template's name, the long one the rest."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    unit: str
    person: Name
    template: str = ""
    ago_min: int = 0
    scale: str = ""
    """Read before anything else: the scale its temperatures were typed in."""
    what: str = ""
    food_class: FoodClass | Literal[""] = ""
    core_c: str = ""
    received_c: str = ""
    use_by: str = ""
    opened_on: str = ""
    quantity: str = ""
    quantity_unit: Literal["kg", "l", "pieces"] = "kg"
    piece_kg: str = ""
    ready_to_eat: bool = False
    vacuum_packed: bool = False
    supplier: str = ""
    lot: str = ""
    note: str = ""


def templates_for(own: tuple[BatchTemplate, ...], cabinet: UnitCard | None) -> tuple[BatchTemplate, ...]:
    """Return what a cook picks from: the fleet's own list, else the built-in one that fits the cabinet."""
    if cabinet is not None and set(cabinet.classes) == {"medicine"}:
        return tuple(t for t in own if t.food_class == "medicine") or (foodwords.MEDICINE,)
    if own:
        return own
    if cabinet is None:
        return foodwords.TEMPLATES
    frozen = cabinet.kind == "freezer"
    return tuple(t for t in foodwords.TEMPLATES if (t.food_class in foodwords.FROZEN_CLASSES) is frozen)


def from_template(template: BatchTemplate, unit: str, today: date) -> BatchNew:
    """Return the batch that one tap on a template means, put in today.

    Cooked food counts as made today, day 1 of a date mark; the usual days of a template count today
    as the first, and only fill in the use-by a person may change.
    """
    cooked = template.food_class == "cooked"
    return BatchNew(
        what=template.what,
        food_class=template.food_class,
        unit=unit,
        piece_kg=template.piece_kg,
        ready_to_eat=template.ready_to_eat,
        opened_on=today if cooked else None,
        use_by=None if template.days is None else today + timedelta(days=template.days - 1),
    )


def from_form(form: PutIn) -> BatchNew:
    """Return the batch the long form describes.

    Raises
    ------
    HTTPException
        422 when something is missing or cannot be.
    """
    if not form.food_class or not form.what.strip():
        raise HTTPException(422, _("Say what it is and what kind of food."))
    with as_typed():
        return BatchNew(
            what=form.what,
            food_class=form.food_class,
            unit=form.unit,
            quantity=amount_or_none(form.quantity),
            quantity_unit=form.quantity_unit,
            piece_kg=amount_or_none(form.piece_kg),
            core_c=temperature_or_none(form.core_c),
            received_c=temperature_or_none(form.received_c),
            use_by=day_or_none(form.use_by),
            opened_on=day_or_none(form.opened_on),
            ready_to_eat=form.ready_to_eat,
            vacuum_packed=form.vacuum_packed,
            supplier=form.supplier,
            lot=form.lot,
            note=form.note,
        )


def _cabinets(desk: Desk, site: str) -> list[UnitCard]:
    here = [card for card in desk.cards() if card.site == site and card.state == "in_use"]
    return [placed.card for placed in reversed(in_order(here))]


def _views(cards: list[UnitCard], now_ms: int) -> list[CardView]:
    return [card_view(card, now_ms) for card in cards]


def _chosen(cards: list[UnitCard], unit: str) -> UnitCard | None:
    return next((card for card in cards if card.unit == unit), None)


@router.get("/camp/{site}/add", response_class=HTMLResponse)
def add(request: Request, desk: AtDesk, site: str, unit: str = "") -> Response:
    """Show the templates: one tap puts food in."""
    place = site_of(desk, site)
    now_ms, zone = desk.now_ms(), ZoneInfo(place.timezone)
    cards = _cabinets(desk, site)
    chosen = _chosen(cards, unit)
    templates = templates_for(desk.fleet().templates, chosen)
    return draw_phone(
        request,
        "add.html",
        site=place,
        unit="" if chosen is None else chosen.unit,
        cabinets=_views(cards, now_ms),
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        templates=templates,
        cooked=any(t.food_class == "cooked" for t in templates),
        people=desk.people(),
        who=remembered(request),
    )


@router.get("/camp/{site}/add/details", response_class=HTMLResponse)
def details(request: Request, desk: AtDesk, site: str, unit: str = "") -> Response:
    """Show the long form."""
    place = site_of(desk, site)
    now_ms, zone = desk.now_ms(), ZoneInfo(place.timezone)
    cards = _cabinets(desk, site)
    chosen = _chosen(cards, unit)
    return draw_phone(
        request,
        "add_details.html",
        site=place,
        unit="" if chosen is None else chosen.unit,
        cabinets=_views(cards, now_ms),
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        people=desk.people(),
        who=remembered(request),
    )


@router.post("/camp/{site}/add")
def put_in(request: Request, desk: AtDesk, site: str, form: Annotated[PutIn, Form()]) -> Response:
    """Write down that food was put into a cabinet of a place."""
    place = site_of(desk, site)
    if form.unit not in place.units:
        raise HTTPException(422, _("Choose a cabinet of this place."))
    now_ms = desk.spoken_ms()
    happened = happened_ms(form.ago_min, now_ms) if form.ago_min else None
    new = _new(desk, form, now_ms, ZoneInfo(place.timezone))
    card = _just_said(desk, new, form.person, now_ms) or desk.load_batch(
        new, form.person, happened_ms=happened
    )
    response = RedirectResponse(f"/batches/{card.batch.id}?noted=loaded", status_code=303)
    remember(request, response, form.person)
    return response


def _just_said(desk: Desk, new: BatchNew, person: str, now_ms: int) -> BatchCard | None:
    """Return the batch that a finger tapped twice has put in a moment ago, None when there is none."""
    said = {**new.model_dump(), "loaded_by": person}
    return next(
        (
            card
            for card in desk.batches(unit=new.unit, place="stored")
            if 0 <= now_ms - card.batch.loaded_at <= TAPPED_TWICE_MS
            and said.items() <= card.batch.model_dump().items()
        ),
        None,
    )


def _new(desk: Desk, form: PutIn, at_ms: int, zone: ZoneInfo) -> BatchNew:
    if not form.template:
        return from_form(form)
    known = (*desk.fleet().templates, *foodwords.TEMPLATES, foodwords.MEDICINE)
    template = next((t for t in known if t.what == form.template), None)
    if template is None:
        raise HTTPException(
            422, _("There is no template %(template)s any more. Look again.", template=form.template)
        )
    return from_template(template, form.unit, text.local(at_ms, zone).date())


@router.get("/camp/{site}/food", response_class=HTMLResponse)
def all_food(request: Request, desk: AtDesk, site: str) -> Response:
    """List all food written down at a place."""
    place = site_of(desk, site)
    now_ms = desk.now_ms()
    zone = ZoneInfo(place.timezone)
    larder = larder_of(desk, site)
    cabinets = {card.unit: card for card in larder.cards}
    kitchen = sorted_kitchen(larder.batches, larder.cards)
    listed: list[tuple[str, list[tuple[BatchView, str]]]] = [
        (title, [(batch_view(card, cabinets, zone, now_ms), why) for card, why in rows])
        for title, rows in _groups(kitchen, larder.batches)
    ]
    return draw_phone(
        request,
        "food.html",
        site=place,
        groups=listed,
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        zone=text.offset_name(now_ms, zone),
    )


def _groups(kitchen: Kitchen, batches: Sequence[BatchCard]) -> list[tuple[str, list[tuple[BatchCard, str]]]]:
    use = [
        (card, text.in_reader_scale(" ".join(part for part in (card.dates_why, card.use_first_why) if part)))
        for card in kitchen.use
    ]
    leave = list(kitchen.leave)
    told = {card.batch.id for card, _ in (*use, *leave)}
    rest = [(card, text.in_reader_scale(card.standing_why)) for card in batches if card.batch.id not in told]
    found = [(food("May be used, in this order"), use), (food("Do not cook or serve"), leave)]
    return [*found, (_("Everything else"), rest)] if rest else found
