"""The manager's evening page: which battery will not last, until when, and what to do about it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import runwords, text
from dashboards.language import _, ngettext, with_mark
from dashboards.natural import natural
from dashboards.nightwords import (
    ANSWERS,
    BAD,
    CAUTIONS,
    answer_of,
    answer_words,
    chances,
    fed_words,
    generator_words,
    todo,
    why_different,
)
from dashboards.pages.forms import time_or_none
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from services.api.routes import AtDesk
from services.domain import Bank, Fleet, UnitCard
from services.timebase import HOUR_MS

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class NightUnit:
    """One cabinet on a bank, in words."""

    unit: str
    name: str
    answer: str
    word: str
    plan: str
    likely: str
    note: str
    chances: tuple[str, ...]
    risk: str
    reading: str
    heard: str
    heard_ms: int | None
    rank: int
    plan_ms: float


@dataclass(frozen=True, slots=True)
class Night:
    """One bank with the cabinets it feeds, or a single cabinet whose bank nobody named."""

    key: str
    title: str
    place: str
    bank: str
    tone: str
    mark: str
    word: str
    plan: str
    engine: str
    """From when the engine may not start; empty where that is no question."""
    why: str
    """Why its cabinets show different hours; empty where they do not."""
    todo: tuple[str, ...]
    units: tuple[NightUnit, ...]
    rank: int
    plan_ms: float


def _plan_ms(card: UnitCard) -> float:
    """Return the early end of the run-out, for the order."""
    if card.runout.reason == "cut_out" or card.cut_out_now:
        return float("-inf")
    hours = card.runout.hours_p10
    return float("inf") if hours is None else card.as_of + hours * HOUR_MS


def _unit(card: UnitCard, now_ms: int, until: time | None) -> NightUnit:
    zone = text.zone_of(card)
    answer = answer_of(card, now_ms, until)
    run = runwords.runout_words(card.runout, as_of_ms=card.as_of, zone=zone, now_ms=now_ms)
    value = card.latest.get("cabinet_c")
    return NightUnit(
        unit=card.unit,
        name=card.name,
        answer=answer,
        word=answer_words(answer, until),
        plan=run.plan,
        likely=run.likely,
        note=fed_words(card, now_ms) or run.note,
        chances=chances(card, now_ms, until),
        risk=runwords.risk_words(card.runout.food_at_risk, zone=zone, now_ms=now_ms),
        reading=text.degrees(None if value is None else float(value)),
        heard=text.age(card.observed_at, now_ms),
        heard_ms=card.observed_at,
        rank=list(ANSWERS).index(answer),
        plan_ms=_plan_ms(card),
    )


def _engine(cards: Sequence[UnitCard], now_ms: int) -> str:
    """Return the earliest moment from which the engine may not start."""
    times = [(c.runout.engine_may_not_start, c) for c in cards if c.runout.engine_may_not_start is not None]
    if not times:
        return ""
    at, card = min(times, key=lambda pair: pair[0])
    return _("now") if at <= now_ms else text.clock(at, text.zone_of(card), now_ms)


def _night(key: str, cards: Sequence[UnitCard], fleet: Fleet, now_ms: int, until: time | None) -> Night:
    bank = next((one for one in fleet.banks if one.id == key), None)
    units = sorted(
        (_unit(card, now_ms, until) for card in cards), key=lambda u: (u.rank, u.plan_ms, natural(u.name))
    )
    first = units[0]
    engine = _engine(cards, now_ms)
    size = (
        ""
        if bank is None
        else f"{with_mark(f'{bank.capacity_ah:g}')} Ah, {bank.nominal_v} V {_chemistry(bank)}"
    )
    cutouts = {unit.name or unit.id: unit.supply.cutout_v for unit in fleet.units}
    return Night(
        key=key,
        title=first.name if len(units) == 1 else ", ".join(unit.name for unit in units),
        place=cards[0].site_name or _("no place given"),
        bank=_("bank %(id)s, %(size)s", id=bank.id, size=size)
        if bank is not None
        else _("battery not described"),
        tone=ANSWERS[first.answer][0],
        mark=ANSWERS[first.answer][1],
        word=first.word,
        plan=min(units, key=lambda u: u.plan_ms).plan,
        engine=engine,
        why=why_different([(unit.name, unit.plan_ms) for unit in units], cutouts),
        todo=todo(
            frozenset(unit.answer for unit in units),
            next(card for card in cards if card.unit == first.unit),
            engine,
        ),
        units=tuple(units),
        rank=first.rank,
        plan_ms=min(unit.plan_ms for unit in units),
    )


def _chemistry(bank: Bank) -> str:
    return {"agm": "AGM", "lifepo4": "LiFePO\N{SUBSCRIPT FOUR}"}.get(bank.chemistry, bank.chemistry)


def nights(cards: Sequence[UnitCard], fleet: Fleet, now_ms: int, until: time | None = None) -> list[Night]:
    """Return every bank with its cabinets in use, the one that gives way first on top."""
    named = {unit.id: unit.supply.bank for unit in fleet.units}
    groups: dict[str, list[UnitCard]] = {}
    for card in cards:
        if card.state == "in_use" and card.runout.reason != "no_battery":
            groups.setdefault(named.get(card.unit) or _("unit %(unit)s", unit=card.unit), []).append(card)
    found = [_night(key, own, fleet, now_ms, until) for key, own in groups.items()]
    return sorted(
        found, key=lambda night: (night.rank, night.plan_ms, natural(night.place), natural(night.title))
    )


def _failing(bad: int, banks: int) -> str:
    if not bad:
        return _("No bank of %(banks)s is forecast to fail tonight.", banks=banks)
    return ngettext(
        "%(bad)s of %(num)s bank may not last the night.",
        "%(bad)s of %(num)s banks may not last the night.",
        banks,
        bad=bad,
    )


def _failing_by(bad: int, banks: int, until: str) -> str:
    if not bad:
        return _("No bank of %(banks)s is forecast to fail before %(time)s.", banks=banks, time=until)
    return ngettext(
        "%(bad)s of %(num)s bank may not last until %(time)s.",
        "%(bad)s of %(num)s banks may not last until %(time)s.",
        banks,
        bad=bad,
        time=until,
    )


def headline(found: Sequence[Night], until: time | None = None, silent: int = 0) -> str:
    """Return how many banks need somebody before the night, or before a time asked for."""
    if not found and silent:
        return _("Nothing is known yet of %(silent)s cabinets on batteries.", silent=silent)
    if not found:
        return _("No cabinet in use runs on a battery.")
    worst = [night.units[0].answer for night in found]
    bad = sum(answer in BAD for answer in worst)
    dark = worst.count("unknown")
    lead = _failing(bad, len(found)) if until is None else _failing_by(bad, len(found), f"{until:%H:%M}")
    return _("%(lead)s Of %(dark)s nothing can be said.", lead=lead, dark=dark) if dark else lead


def _on_generators(cards: Sequence[UnitCard], fleet: Fleet, now_ms: int) -> list[tuple[str, str, str]]:
    """Return id, name and words of every cabinet in use that a generator alone feeds."""
    fed = {unit.id for unit in fleet.units if unit.supply.kind == "generator"}
    return [
        (card.unit, card.name, generator_words(card, now_ms))
        for card in cards
        if card.unit in fed and card.state == "in_use"
    ]


@router.get("/tonight", response_class=HTMLResponse)
def tonight(request: Request, desk: AtDesk, until: str = "") -> Response:
    """Show every battery: will it last until dawn, or a time asked for; until when, what to do."""
    live, now_ms, at = live_of(desk), desk.now_ms(), time_or_none(until)
    cards, fleet = desk.cards(), desk.fleet()
    found = nights(cards, fleet, now_ms, at)
    silent = [unit.name or unit.id for unit in desk.unassessed(cards) if unit.supply.kind == "battery"]
    return draw(
        request,
        "tonight.html",
        nights=found,
        headline=headline(found, at, len(silent)),
        until="" if at is None else f"{at:%H:%M}",
        generators=_on_generators(cards, fleet, now_ms),
        mind=CAUTIONS,
        silent=silent,
        live=live,
    )
