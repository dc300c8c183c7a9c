"""The cook's page: what may be used and what not, cabinet by cabinet; whole in one answer."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import foodwords, text
from dashboards.advice import steps
from dashboards.kitchen import Kitchen, by_unit, short_of, sorted_kitchen
from dashboards.language import _
from dashboards.pages.answers import strictest_words
from dashboards.pages.batch_views import BatchView, batch_view
from dashboards.pages.camp_notices import told_cook
from dashboards.pages.notices import names_of as names_in
from dashboards.pages.notices import writes
from dashboards.pages.people import remembered
from dashboards.pages.render import draw_phone
from dashboards.pages.views import card_view
from dashboards.places import Larder
from dashboards.urgency import in_order
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.api.schemas import SiteRow
from services.domain import BatchCard, UnitCard, Verdict, worst

MOST_LISTED = 6
"""Batches under each heading of the small page; the rest is one tap away."""

router = APIRouter(include_in_schema=False)


@router.get("/camp", response_class=HTMLResponse)
def choose(request: Request, desk: AtDesk) -> Response:
    """Let somebody choose where they are."""
    cards = desk.cards()
    unassessed = desk.unassessed(cards)
    sites = []
    for site in desk.sites():
        here = [card for card in cards if card.site == site.id]
        unknown = any(unit.site == site.id for unit in unassessed)
        found = [card.standing for card in here if not text.is_resting(card, card.standing)]
        verdict = worst([*found, Verdict.NO_DATA] if unknown else found)
        resting = bool(here) and not found and not unknown
        words = text.RESTING_WORD() if resting else text.WORDS[verdict]
        sites.append(
            {
                "id": site.id,
                "name": site.name,
                "verdict": "resting" if resting else verdict.value,
                "words": words,
            }
        )
    return draw_phone(request, "camps.html", sites=sites)


def site_of(desk: Desk, site: str) -> SiteRow:
    """Return a place.

    Raises
    ------
    HTTPException
        404 when there is none of that name.
    """
    place = next((s for s in desk.sites() if s.id == site), None)
    if place is None:
        raise HTTPException(404, _("There is no place %(site)s.", site=site))
    return place


def larder_of(desk: Desk, site: str | None) -> Larder:
    """Return the cabinets of a place with what is in them; food nobody can place is listed everywhere."""
    cards = tuple(card for card in desk.cards() if card.site == site)
    units = desk.fleet().units
    elsewhere = {unit.id for unit in units if site is not None and unit.site != site}
    batches = tuple(card for card in desk.batches() if card.batch.unit not in elsewhere)
    return Larder(cards=cards, units=units, batches=batches)


def names_of(cabinets: tuple[UnitCard, ...]) -> str:
    """Return cabinets as a list in words."""
    return ", ".join(cabinet.name for cabinet in cabinets)


def standing_out_words(desk: Desk, site: str) -> str:
    """Return how long food may stand out at a place: shorter where vulnerable guests eat."""
    vulnerable = any(u.food.vulnerable_guests for u in desk.fleet().units if u.site == site)
    return foodwords.STANDING_OUT_VULNERABLE() if vulnerable else foodwords.STANDING_OUT()


def cook_notes(kitchen: Kitchen) -> list[str]:
    """Return where the core temperatures of a list come from, each once."""
    whys = (text.sentence(c.cook_to_why) for c in kitchen.use[:MOST_LISTED] if c.cook_to_c is not None)
    return list(dict.fromkeys(whys))


@router.get("/camp/{site}", response_class=HTMLResponse)
def camp(request: Request, desk: AtDesk, site: str, noted: str = "") -> Response:
    """Show what may be cooked at one place, what not, and its cabinets, the worst first."""
    place = site_of(desk, site)
    now_ms = desk.now_ms()
    larder = larder_of(desk, site)
    zone = ZoneInfo(place.timezone)
    here = [placed.card for placed in in_order(larder.cards)]
    names = {card.unit: card.name for card in here}
    kitchen = sorted_kitchen(larder.batches, here)
    cabinets = {card.unit: card for card in here}
    inside = by_unit(larder.batches)

    def views(found: Sequence[BatchCard]) -> list[BatchView]:
        return [batch_view(card, cabinets, zone, now_ms) for card in found[:MOST_LISTED]]

    return draw_phone(
        request,
        "camp.html",
        site=place,
        told=told_cook(desk, site, names_in(desk), zone),
        writes=writes(request),
        use=views(kitchen.use),
        leave=[
            (batch_view(c, cabinets, zone, now_ms), f"{text.sentence(why)} {strictest_words(c.answers)}")
            for c, why in kitchen.leave[:MOST_LISTED]
        ],
        running=views(kitchen.running),
        more=max(0, len(kitchen.use) - MOST_LISTED) + max(0, len(kitchen.leave) - MOST_LISTED),
        cook_notes=cook_notes(kitchen),
        unrecorded=names_of(kitchen.open_cabinets),
        shut=names_of(kitchen.shut_cabinets),
        standing_out=standing_out_words(desk, site),
        rows=[
            (
                card_view(card, now_ms),
                steps(card, larder),
                short_of(inside.get(card.unit, [])),
                "" if card.unit in inside else strictest_words(card.answers),
            )
            for card in here
        ],
        unassessed=[unit.name or unit.id for unit in desk.unassessed(desk.cards()) if unit.site == site],
        others=[(card.unit, card.name) for card in here if card.state == "in_use"],
        people=desk.people(),
        who=remembered(request),
        noted=names.get(noted, ""),
        now_ms=now_ms,
        made=text.clock(now_ms, zone, now_ms),
        zone=text.offset_name(now_ms, zone),
    )
