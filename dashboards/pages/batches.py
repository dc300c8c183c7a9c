"""One batch of food: what may be done with it, why, and everything a cook may say of it."""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Path, Request
from pydantic import BaseModel, ConfigDict, field_validator
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import foodwords, text
from dashboards.advice import batch_steps
from dashboards.kitchen import may_be_used, standing, why_not
from dashboards.language import _
from dashboards.pages.answers import answer_views, mark_words
from dashboards.pages.batch_views import batch_view, clock_view, event_words
from dashboards.pages.camp import larder_of, standing_out_words
from dashboards.pages.forms import amount_or_none, day_or_none, happened_ms, temperature_or_none
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw_phone
from dashboards.pages.spots import spot_views, verdict_lines
from dashboards.places import Larder, Place, colder_places, own_standing
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import Disposition, Name
from services.domain import BatchCard, BatchEventKind, UnitCard, Verdict, knows_time_control

router = APIRouter(include_in_schema=False)

MOST_VERDICTS = 20
"""Changes of verdict on a batch's page; the API tells all."""
BatchPath = Annotated[int, Path(ge=1, le=2**53, description="Number of the batch.")]


_WORDS = ("unit", "disposition", "reason", "what", "supplier", "lot", "note", "time_control")


class SaidOfBatch(BaseModel):
    """What the forms of a batch send: most fields stay empty."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: BatchEventKind
    person: Name
    ago_min: int = 0
    scale: str = ""
    """Read before anything else: the scale its temperatures were typed in."""
    unit: str = ""
    probe_c: str = ""
    surface_c: str = ""
    ice: Literal["", "yes", "no"] = ""
    disposition: Disposition | str = ""
    reason: str = ""
    quantity: str = ""
    event: int | None = None
    """An earlier line that was not so."""
    what: str = ""
    use_by: str = ""
    opened_on: str = ""
    supplier: str = ""
    lot: str = ""
    note: str = ""
    time_control: Literal["", "4h", "6h"] = ""
    written_procedure: bool = False
    marked: bool = False

    @field_validator("event", mode="before")
    @classmethod
    def _empty_is_none(cls, value: object) -> object:
        return None if value == "" else value

    def body(self) -> dict[str, str | float | int | bool | None]:
        """Return what was filled in, numbers as numbers.

        Raises
        ------
        HTTPException
            422 when a number or a day is none.
        """
        probe_c = temperature_or_none(self.probe_c)
        if self.event is not None:
            wrong = {"withdrawn": True} if probe_c is None else {"probe_c": probe_c}
            return {"event": self.event, **wrong}
        words = {name: value.strip() for name in _WORDS if (value := str(getattr(self, name))).strip()}
        numbers = {
            "probe_c": probe_c,
            "surface_c": temperature_or_none(self.surface_c),
            "quantity": amount_or_none(self.quantity),
        }
        ticked = {
            name: True
            for name in ("written_procedure", "marked")
            if self.time_control and getattr(self, name) is True
        }
        days = {"use_by": day_or_none(self.use_by), "opened_on": day_or_none(self.opened_on)}
        return {
            **words,
            **ticked,
            **({"ice": self.ice == "yes"} if self.ice else {}),
            **{name: value for name, value in numbers.items() if value is not None},
            **{name: day.isoformat() for name, day in days.items() if day is not None},
        }


def _site_of(desk: Desk, card: BatchCard) -> str | None:
    return next((unit.site for unit in desk.fleet().units if unit.id == card.batch.unit), None)


def _knows_time_control(desk: Desk, card: BatchCard) -> bool:
    """Return whether the rules of its cabinet know time in place of cold."""
    fleet, unit = desk.fleet(), card.batch.unit
    known = unit is not None and any(u.id == unit for u in fleet.units)
    return known and unit is not None and knows_time_control(fleet.settings_of(unit))


def _zone_of(desk: Desk, site: str | None) -> ZoneInfo:
    return ZoneInfo(next((s.timezone for s in desk.sites() if s.id == site), "UTC"))


def _places(card: BatchCard, cabinet: UnitCard | None, larder: Larder) -> list[Place]:
    """Return where the batch could go, best first: by its own strictest limit and its own kind of food."""
    if cabinet is None:
        return []
    limit_c = min((clock.limit_c for clock in card.clocks), default=cabinet.limit_c)
    classes = () if card.batch.ready_to_eat else (card.batch.food_class,)
    raw_or_ready = classes or ("cooked",)
    return colder_places(cabinet, larder, limit_c=limit_c, classes=raw_or_ready)


def _choices(card: BatchCard, larder: Larder, best: list[Place]) -> list[tuple[str, str]]:
    """Return every cabinet in use as a choice; those that are cold enough stand first, with what to mind."""
    named = {place.unit for place in best}
    own = card.batch.unit
    rest = [
        (other.unit, f"{other.name}: {text.WORDS[own_standing(other)]}")
        for other in larder.cards
        if other.unit not in named and other.state == "in_use" and other.unit != own
    ]
    back = [
        (other.unit, _("%(name)s: where it was", name=other.name))
        for other in larder.cards
        if other.unit == own and card.batch.place == "out" and other.state == "in_use"
    ]
    return [*back, *((place.unit, place.words) for place in best), *rest]


def _freezers(card: BatchCard, larder: Larder) -> list[tuple[str, str]]:
    """Return where the batch can be frozen; nowhere when it is frozen food already."""
    if card.batch.frozen:
        return []
    return [
        (other.unit, f"{other.name}: {text.WORDS[own_standing(other)]}")
        for other in larder.cards
        if other.kind == "freezer" and other.state == "in_use" and "medicine" not in other.classes
    ]


@router.get("/batches/{batch}", response_class=HTMLResponse)
def batch_page(request: Request, desk: AtDesk, batch: BatchPath, noted: str = "") -> Response:
    """Show one batch."""
    now_ms = desk.now_ms()
    card = desk.batch(batch)
    site = _site_of(desk, card)
    larder = larder_of(desk, site)
    cabinets = {c.unit: c for c in larder.cards}
    cabinet = cabinets.get(card.batch.unit or "")
    zone = _zone_of(desk, site)
    verdict = standing(card)
    best = _places(card, cabinet, larder)
    usable = may_be_used(card)
    reason = why_not(card, cabinet)
    untold = bool(reason) and verdict.rank < Verdict.NO_DATA.rank and not foodwords.by_time(card)
    names = {unit.id: unit.name or unit.id for unit in desk.fleet().units}
    return draw_phone(
        request,
        "batch.html",
        b=batch_view(card, cabinets, zone, now_ms),
        not_used=text.sentence(reason) if untold else "",
        warnings=[text.sentence(words) for words in card.warnings],
        steps=batch_steps(card, verdict, best),
        actions=foodwords.actions_for(card.batch.place, frozen=card.batch.frozen, usable=usable),
        places=_choices(card, larder, best),
        freezers=_freezers(card, larder),
        clocks=[clock_view(clock, card.batch.food_class) for clock in card.clocks],
        texts=answer_views(card.answers, told=card.standing_why),
        marks=mark_words(card.marks),
        not_mended=card.not_mended,
        icy=card.batch.frozen or bool(card.marks),
        cools=foodwords.cools(card),
        spots=spot_views(card.spot, zone, now_ms),
        verdicts=verdict_lines(desk.batch_verdicts(batch, MOST_VERDICTS), card.batch.food_class, zone),
        assumed=[text.in_reader_scale(words) for words in card.assumed],
        events=[
            (e.id, text.stamp(e.t, zone), event_words(e, names), e.kind != "corrected")
            for e in reversed(desk.batch_events(batch))
        ],
        standing_out=standing_out_words(desk, site or ""),
        by_time=card.batch.place == "stored" and usable and _knows_time_control(desk, card),
        site=site,
        people=desk.people(),
        who=remembered(request),
        noted=bool(noted),
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        zone=text.offset_name(now_ms, zone),
    )


@router.post("/batches/{batch}/say")
def say(request: Request, desk: AtDesk, batch: BatchPath, form: Annotated[SaidOfBatch, Form()]) -> Response:
    """Write down what happened to a batch."""
    if form.kind == "loaded":
        raise HTTPException(422, _("A batch is put in on the page of its camp."))
    happened = happened_ms(form.ago_min, desk.spoken_ms()) if form.ago_min else None
    desk.say_of_batch(batch, form.kind, form.person, form.body(), happened_ms=happened)
    response = RedirectResponse(f"/batches/{batch}?noted={form.kind}", status_code=303)
    remember(request, response, form.person)
    return response
