"""The manager's map: the operator's own lines and places beside a list that carries the same facts."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.figures.chart_map import Picture, Place, picture
from dashboards.language import _, food
from dashboards.natural import natural
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from dashboards.pages.views import CardView, card_view
from dashboards.urgency import Need, in_order
from services.api.routes import AtDesk
from services.domain import Fleet, Site, UnitCard
from services.domain.ownmap import Fix, OwnMap
from services.errors import ConfigurationError

router = APIRouter(include_in_schema=False)

_MOBILE = frozenset({"vehicle", "trailer"})


class MapRoom(Protocol):
    """What maps are drawn from; the composition root puts one on the application."""

    positions: bool

    @property
    def name(self) -> str:
        """The name of the own map's file."""

    def own(self) -> OwnMap | None:
        """Return the operator's own map, None where there is none."""

    def fixes(self, units: Collection[str], now_ms: int) -> Mapping[str, Fix]:
        """Return the newest rounded position of units."""


@dataclass(frozen=True, slots=True)
class SiteView:
    """One place in the list beside the map."""

    site: str
    name: str
    kind: str
    mark: str
    word: str
    where: str
    rows: tuple[CardView, ...]
    silent: tuple[str, ...]


def _where(site: Site, fix: Fix | None, now_ms: int) -> str:
    """Return where a place is, in words."""
    if site.kind in _MOBILE:
        if fix is None:
            return ""
        return _(
            "about %(position)s, %(ago)s",
            position=_degrees(fix.latitude_deg, fix.longitude_deg),
            ago=text.age(fix.t_ms, now_ms),
        )
    if site.latitude_deg is None or site.longitude_deg is None:
        return _("not on the map: no latitude and longitude in the fleet file")
    return _degrees(site.latitude_deg, site.longitude_deg)


def _degrees(latitude_deg: float, longitude_deg: float) -> str:
    north, east = "N" if latitude_deg >= 0 else "S", "E" if longitude_deg >= 0 else "W"
    return f"{abs(latitude_deg):.2f}° {north} {abs(longitude_deg):.2f}° {east}"


def _at(site: Site, fix: Fix | None) -> tuple[float, float] | None:
    if site.kind in _MOBILE:
        return None if fix is None else (fix.longitude_deg, fix.latitude_deg)
    if site.latitude_deg is None or site.longitude_deg is None:
        return None
    return site.longitude_deg, site.latitude_deg


def newest_fix(fixes: Mapping[str, Fix], units: Collection[str]) -> Fix | None:
    """Return the newest position of the cabinets a vehicle carries."""
    return max((fixes[unit] for unit in units if unit in fixes), key=lambda fix: fix.t_ms, default=None)


def _worst(cards: Sequence[UnitCard], silent: Sequence[str]) -> tuple[str, str]:
    """Return mark and word of the cabinet of a place that needs somebody most."""
    if not cards:
        return "no_data", food("Not known")
    first = in_order(cards)[0]
    if silent and first.need > Need.NOT_KNOWN:
        return "no_data", food("Not known")
    view = text.word_of(first.card, first.card.standing)
    resting = text.is_resting(first.card, first.card.standing)
    return "resting" if resting else first.card.standing.value, view


def site_views(
    fleet: Fleet, cards: Sequence[UnitCard], fixes: Mapping[str, Fix], now_ms: int
) -> list[tuple[SiteView, tuple[float, float] | None]]:
    """Return every place that holds cabinets, with where it is drawn; the worst first."""
    found = []
    for site in fleet.sites:
        own = [card for card in cards if card.site == site.id]
        ids = {unit.id: unit.name or unit.id for unit in fleet.units if unit.site == site.id}
        silent = [name for unit, name in ids.items() if unit not in {card.unit for card in own}]
        if not ids:
            continue
        fix = newest_fix(fixes, ids)
        mark, word = _worst(own, silent)
        view = SiteView(
            site=site.id,
            name=site.name,
            kind=site.kind,
            mark=mark,
            word=word,
            where=_where(site, fix, now_ms),
            rows=tuple(card_view(placed.card, now_ms) for placed in in_order(own)),
            silent=tuple(silent),
        )
        need = in_order(own)[0].need if own else Need.NOT_KNOWN
        found.append((min(need, Need.NOT_KNOWN) if silent else need, view, _at(site, fix)))
    return [(view, at) for _, view, at in sorted(found, key=lambda each: (each[0], natural(each[1].name)))]


def _drawn(
    own: OwnMap | None, found: Sequence[tuple[SiteView, tuple[float, float] | None]]
) -> Picture | None:
    places = [
        Place(
            at=at,
            name=view.name,
            href=f"#site-{view.site}" if len(view.rows) != 1 else f"/units/{view.rows[0].unit}",
            mark=view.mark,
            kind="vehicle" if view.kind in _MOBILE else "place",
            note=f"{view.word}, {view.where}",
        )
        for view, at in found
        if at is not None
    ]
    return picture(own.features if own is not None else (), places)


def _own(room: MapRoom | None) -> tuple[OwnMap | None, str]:
    """Return the own map and, where its file cannot be taken, why not."""
    if room is None:
        return None, ""
    try:
        return room.own(), ""
    except ConfigurationError as error:
        return None, text.sentence(str(error))


@router.get("/map", response_class=HTMLResponse)
def map_page(request: Request, desk: AtDesk) -> Response:
    """Show places on the operator's own map; vehicles only where positions are switched on."""
    room: MapRoom | None = getattr(request.app.state, "map_room", None)
    live = live_of(desk)
    now_ms, fleet, cards = desk.now_ms(), desk.fleet(), desk.cards()
    own, fault = _own(room)
    fixes = _fixes(room, fleet, now_ms)
    found = site_views(fleet, cards, fixes, now_ms)
    return draw(
        request,
        "map.html",
        picture=_drawn(own, found),
        fault=fault,
        file="map.geojson" if room is None else room.name,
        own=own is not None,
        positions=room is not None and room.positions,
        sites=[view for view, _ in found],
        live=live,
    )


def _fixes(room: MapRoom | None, fleet: Fleet, now_ms: int) -> Mapping[str, Fix]:
    """Return positions of what vehicles and trailers carry; nobody asks where a camp is."""
    if room is None or not room.positions:
        return {}
    mobile = {site.id for site in fleet.sites if site.kind in _MOBILE}
    return room.fixes([unit.id for unit in fleet.units if unit.site in mobile], now_ms)
