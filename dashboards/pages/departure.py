"""The list of half past five: may this vehicle leave, and if not, what is missing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import time
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import runwords, text
from dashboards.language import Phrase, _, food
from dashboards.leaving import ANSWERS, Answer, Reasons, answer_of, reasons_of
from dashboards.natural import natural
from dashboards.nightwords import next_at
from dashboards.pages.forms import time_or_none
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from dashboards.saidwords import statement_words
from services.api.desk import Desk, NotAssessedError
from services.api.routes import AtDesk
from services.api.schemas import StatementRow
from services.domain import Site, Unit, UnitCard
from services.timebase import DAY_MS

router = APIRouter(include_in_schema=False)

_ARRIVES = time(18, 0)
"""When a vehicle is at the next camp, where nobody says otherwise (judgement)."""
_MOBILE = frozenset({"vehicle", "trailer"})
_MOST_SAID = 2_000
_TOLD = 2
_DARK = Phrase("not known")


@dataclass(frozen=True, slots=True)
class CabinetLine:
    """One cabinet of a vehicle."""

    unit: str
    name: str
    mark: str
    word: str
    reading: str
    heard: str
    heard_ms: int | None
    charge: str
    plan: str
    fault: str


@dataclass(frozen=True, slots=True)
class VehicleView:
    """One vehicle in words."""

    site: str
    name: str
    answer: Answer
    mark: str
    word: str
    reasons: tuple[str, ...]
    until: str
    cabinets: tuple[CabinetLine, ...]
    silent: tuple[str, ...]
    said: tuple[str, ...]


def _charge(desk: Desk, card: UnitCard) -> str:
    """Return how full the bank of a cabinet is."""
    if card.runout.reason == "no_battery":
        return _("no battery")
    try:
        battery: dict[str, Any] | None = desk.analysis(card.unit).get("battery")
    except NotAssessedError:
        battery = None
    held = None if battery is None else battery.get("state_of_charge")
    return (
        _DARK()
        if held is None
        else _("%(low)s to %(high)s", low=text.share(held["p10"]), high=text.share(held["p90"]))
    )


def _charges(desk: Desk, cards: Sequence[UnitCard], banks: Mapping[str, str]) -> dict[str, str]:
    """Return how full the bank of each cabinet is; a bank that several share is asked about once."""
    found: dict[str, str] = {}
    told: dict[str, str] = {}
    for card in cards:
        bank = banks.get(card.unit, "")
        if told.get(bank, _DARK()) == _DARK():
            found[card.unit] = _charge(desk, card)
            if bank:
                told[bank] = found[card.unit]
        else:
            found[card.unit] = told[bank]
    return found


def _fault(card: UnitCard, now_ms: int) -> str:
    """Return the last thing that went wrong with a cabinet, as far back as its analysis looks."""
    zone = text.zone_of(card)
    told = card.latest.get("fault")
    if isinstance(told, str) and told:
        return _("says of itself: %(fault)s", fault=text.plain(told))
    if card.cutouts:
        cutout = card.cutouts[0]
        return f"{text.clock(cutout.start, zone, now_ms)} {text.CAUSES[cutout.cause]}"
    if card.service:
        return text.plain(card.service[0].finding)
    return _("none seen")


def _line(card: UnitCard, charge: str, now_ms: int) -> CabinetLine:
    resting = text.is_resting(card, card.standing)
    value_c = card.latest.get("cabinet_c")
    zone = text.zone_of(card)
    return CabinetLine(
        unit=card.unit,
        name=card.name,
        mark="resting" if resting else card.standing.value,
        word=text.word_of(card, card.standing),
        reading=text.degrees(None if value_c is None else float(value_c)),
        heard=text.age(card.observed_at, now_ms),
        heard_ms=card.observed_at,
        charge=charge,
        plan=runwords.runout_words(card.runout, as_of_ms=card.as_of, zone=zone, now_ms=now_ms).plan,
        fault=_fault(card, now_ms),
    )


def _said(desk: Desk, now_ms: int) -> dict[str, list[StatementRow]]:
    """Return what people said of cabinets in the last day, by cabinet, the newest first."""
    found: dict[str, list[StatementRow]] = {}
    for each in desk.happenings(now_ms - DAY_MS, now_ms + 1, kinds={"said"}, limit=_MOST_SAID):
        if isinstance(each.told, StatementRow):
            found.setdefault(each.told.unit, []).append(each.told)
    return found


def _told(said: Sequence[StatementRow], names: dict[str, str], site: Site, now_ms: int) -> tuple[str, ...]:
    newest = sorted(said, key=lambda each: -each.t_ms)[:_TOLD]
    return tuple(
        f"{text.clock(each.t_ms, site.zone, now_ms)} {names[each.unit]}, {statement_words(each)}"
        for each in newest
    )


@dataclass(frozen=True, slots=True)
class _Morning:
    desk: Desk
    banks: Mapping[str, str]
    """By unit."""
    cards: Sequence[UnitCard]
    unheard: Sequence[Unit]
    said: dict[str, list[StatementRow]]
    now_ms: int
    until: time

    def vehicle(self, site: Site) -> VehicleView:
        own = [card for card in self.cards if card.site == site.id]
        silent = [unit for unit in self.unheard if unit.site == site.id]
        until_ms = next_at(self.until, site.zone, self.now_ms)
        reasons = [reasons_of(card, until_ms=until_ms, now_ms=self.now_ms) for card in own]
        answer = answer_of(own, reasons, silent)
        mark, word = ANSWERS[answer]
        names = {card.unit: card.name for card in own}
        charges = _charges(self.desk, own, self.banks)
        return VehicleView(
            site=site.id,
            name=site.name,
            answer=answer,
            mark=mark,
            word=food(word),
            reasons=_reasons(reasons),
            until=text.clock(until_ms, site.zone, self.now_ms),
            cabinets=tuple(_line(card, charges[card.unit], self.now_ms) for card in own),
            silent=tuple(unit.name or unit.id for unit in silent),
            said=_told([s for unit in names for s in self.said.get(unit, ())], names, site, self.now_ms),
        )


def _reasons(found: Sequence[Reasons]) -> tuple[str, ...]:
    wrong = [text.sentence(words) for each in found for words in each.wrong]
    return (*wrong, *(text.sentence(words) for each in found for words in each.dark))


def vehicles(desk: Desk, until: time) -> list[VehicleView]:
    """Return every vehicle that carries cabinets, those that may not leave first."""
    now_ms, fleet = desk.now_ms(), desk.fleet()
    cards = desk.cards()
    banks = {unit.id: unit.supply.bank for unit in fleet.units if unit.supply.bank is not None}
    morning = _Morning(desk, banks, cards, desk.unassessed(cards), _said(desk, now_ms), now_ms, until)
    carrying = {unit.site for unit in fleet.units}
    found = [morning.vehicle(s) for s in fleet.sites if s.kind in _MOBILE and s.id in carrying]
    order = list(ANSWERS)
    return sorted(found, key=lambda view: (order.index(view.answer), natural(view.name)))


def headline(found: Sequence[VehicleView]) -> str:
    """Return how many vehicles may leave."""
    if not found:
        return _("No vehicle or trailer carries a cabinet: give the cabinet such a site in the fleet file.")
    count = {answer: sum(view.answer == answer for view in found) for answer in ANSWERS}
    words = [food("%(ready)s of %(all)s may leave", ready=count["yes"], all=len(found))]
    if count["not_yet"]:
        words.append(food("%(held)s not yet", held=count["not_yet"]))
    if count["unknown"]:
        words.append(food("of %(dark)s not known", dark=count["unknown"]))
    return f"{', '.join(words)}."


@router.get("/departure", response_class=HTMLResponse)
def departure(request: Request, desk: AtDesk, until: str = "") -> Response:
    """Show every vehicle on one sheet: may it leave, with what, and what is missing."""
    live, at = live_of(desk), time_or_none(until) or _ARRIVES
    found = vehicles(desk, at)
    return draw(
        request,
        "departure.html",
        vehicles=found,
        headline=headline(found),
        until=f"{at:%H:%M}",
        live=live,
    )
