"""The manager's evening page: which battery will not last, until when, and what to do about it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.pages.render import draw
from dashboards.powerwords import move_words
from dashboards.urgency import LASTS_WELL_ENOUGH, dawn_chance
from services.api.routes import AtDesk
from services.domain import Bank, Fleet, LastsUntil, Runout, UnitCard
from services.timebase import HOUR_MS

router = APIRouter(include_in_schema=False)

BAD = frozenset({"stopped", "no", "perhaps"})
_NIGHT_H = 12.0
_SURE = 0.98

ANSWERS: dict[str, tuple[str, str, str]] = {
    "stopped": ("hold", "watch", "Stopped now"),
    "no": ("hold", "watch", "Will not last"),
    "perhaps": ("watch", "watch", "May not last"),
    "unknown": ("no_data", "no_data", "Not known"),
    "charging": ("ok", "ok", "Charging"),
    "yes": ("ok", "ok", "Lasts the night"),
}
"""By answer, worst first: tone, mark and words; the marks of food on hold stay with food."""


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
    todo: tuple[str, ...]
    units: tuple[NightUnit, ...]
    rank: int
    plan_ms: float


def answer_of(card: UnitCard, now_ms: int) -> str:
    """Return whether a cabinet runs through the night, as a key of `ANSWERS`; silence outranks good news."""
    found = _answer(card)
    silent = card.observed_at is None or now_ms - card.observed_at > text.past_limit_ms(card)
    return "unknown" if silent and found in {"yes", "charging"} else found


def _answer(card: UnitCard) -> str:
    runout = card.runout
    if card.cut_out_now or runout.reason == "cut_out":
        return "stopped"
    if runout.reason == "not_enough_data":
        return "unknown"
    chance = dawn_chance(card)
    if chance is None:
        return _without_chance(runout)
    if chance < 0.5:  # noqa: PLR2004 - more likely not
        return "no"
    if chance < LASTS_WELL_ENOUGH:
        return "perhaps"
    return "charging" if runout.reason == "charging" else "yes"


def _without_chance(runout: Runout) -> str:
    if runout.reason == "beyond_horizon":
        return "yes"
    if runout.hours_p10 is None:
        return "charging" if runout.reason == "charging" else "unknown"
    if runout.hours_p10 >= _NIGHT_H:
        return "yes"
    return "no" if runout.hours_p50 is not None and runout.hours_p50 < _NIGHT_H else "perhaps"


def chance_words(last: LastsUntil, zone: tzinfo, now_ms: int) -> str:
    """Return the chance of lasting to a moment."""
    name = text.plain(last.name)
    sure = "nearly certain" if last.chance >= _SURE else f"{100 * last.chance:.0f} %"
    return f"to {name}, {text.clock(last.at, zone, now_ms)}: {sure}"


def _usual(card: UnitCard, zone: tzinfo, now_ms: int) -> tuple[str, ...]:
    """Return until when it runs if what usually charges it comes again; nothing where it has no habit."""
    usual = card.runout.usual_charging
    if usual is None or usual.ah_per_day <= 0:
        return ()
    if usual.hours_p10 is None:
        return ("with its usual charging: more than 7 days",)
    at_ms = card.as_of + usual.hours_p10 * HOUR_MS
    return (f"with its usual charging: plan on {text.clock(max(at_ms, now_ms), zone, now_ms)}",)


def _plan_ms(card: UnitCard) -> float:
    """Return the early end of the run-out, for the order."""
    if card.runout.reason == "cut_out" or card.cut_out_now:
        return float("-inf")
    hours = card.runout.hours_p10
    return float("inf") if hours is None else card.as_of + hours * HOUR_MS


def _unit(card: UnitCard, now_ms: int) -> NightUnit:
    zone = text.zone_of(card)
    answer = answer_of(card, now_ms)
    run = text.runout_words(card.runout, as_of_ms=card.as_of, zone=zone, now_ms=now_ms)
    value = card.latest.get("cabinet_c")
    return NightUnit(
        unit=card.unit,
        name=card.name,
        answer=answer,
        word=ANSWERS[answer][2],
        plan=run.plan,
        likely=run.likely,
        note=run.note,
        chances=(
            *(chance_words(last, zone, now_ms) for last in card.runout.lasts_until),
            *_usual(card, zone, now_ms),
        ),
        risk=text.risk_words(card.runout.food_at_risk, zone=zone, now_ms=now_ms),
        reading=text.degrees(None if value is None else float(value)),
        heard=text.age(card.observed_at, now_ms),
        rank=list(ANSWERS).index(answer),
        plan_ms=_plan_ms(card),
    )


def _engine(cards: Sequence[UnitCard], now_ms: int) -> str:
    """Return the earliest moment from which the engine may not start."""
    times = [(c.runout.engine_may_not_start, c) for c in cards if c.runout.engine_may_not_start is not None]
    if not times:
        return ""
    at, card = min(times, key=lambda pair: pair[0])
    return "now" if at <= now_ms else text.clock(at, text.zone_of(card), now_ms)


_CHARGE = "Charge it: mains, or engine or generator in the open air (exhaust kills)."
_LOOK = "Go and look: nothing can be said of it from here. Is the plug in, does it run?"
_STOPPED = "It has stopped cooling. Keep the lid shut, charge the bank, and measure the warmest food."


def _todo(units: Sequence[NightUnit], worst: UnitCard, engine: str) -> tuple[str, ...]:
    """Return what to do for a bank, the most pressing first; nothing where it lasts.

    The moves are those of the cabinet that gives way first: they are moves of the bank they share.
    """
    answers = {unit.answer for unit in units}
    found = []
    if "stopped" in answers:
        found.append(_STOPPED)
    if answers <= {"unknown"} or ("unknown" in answers and not found):
        found.append(_LOOK)
    if engine:
        found.append(
            f"Start the engine before {engine}." if engine != "now" else "The engine may not start now."
        )
    if answers & BAD:
        moves = [move for move in worst.runout.moves if move.gain_hours > 0]
        if not any(move.action == "charge" for move in moves) and "stopped" not in answers:
            found.append(_CHARGE)
        found += [text.sentence(move_words(move)) for move in moves]
    return tuple(found)


def _night(key: str, bank: Bank | None, cards: Sequence[UnitCard], now_ms: int) -> Night:
    units = sorted((_unit(card, now_ms) for card in cards), key=lambda u: (u.rank, u.plan_ms, u.name))
    first = units[0]
    engine = _engine(cards, now_ms)
    size = "" if bank is None else f"{bank.capacity_ah:g} Ah, {bank.nominal_v} V {_chemistry(bank)}"
    return Night(
        key=key,
        title=first.name if len(units) == 1 else ", ".join(unit.name for unit in units),
        place=cards[0].site_name or "no place given",
        bank=f"bank {bank.id}, {size}" if bank is not None else "battery not described",
        tone=ANSWERS[first.answer][0],
        mark=ANSWERS[first.answer][1],
        word=first.word,
        plan=min(units, key=lambda u: u.plan_ms).plan,
        engine=engine,
        todo=_todo(units, next(card for card in cards if card.unit == first.unit), engine),
        units=tuple(units),
        rank=first.rank,
        plan_ms=min(unit.plan_ms for unit in units),
    )


def _chemistry(bank: Bank) -> str:
    return {"agm": "AGM", "lifepo4": "LiFePO\N{SUBSCRIPT FOUR}"}.get(bank.chemistry, bank.chemistry)


def nights(cards: Sequence[UnitCard], fleet: Fleet, now_ms: int) -> list[Night]:
    """Return every bank with its cabinets in use, the one that gives way first on top."""
    banks = {bank.id: bank for bank in fleet.banks}
    named = {unit.id: unit.supply.bank for unit in fleet.units}
    groups: dict[str, list[UnitCard]] = {}
    for card in cards:
        if card.state == "in_use" and card.runout.reason != "no_battery":
            groups.setdefault(named.get(card.unit) or f"unit {card.unit}", []).append(card)
    found = [_night(key, banks.get(key), own, now_ms) for key, own in groups.items()]
    return sorted(found, key=lambda night: (night.rank, night.plan_ms, night.place, night.title))


def headline(found: Sequence[Night]) -> str:
    """Return how many banks need somebody before the night."""
    if not found:
        return "No cabinet in use runs on a battery."
    worst = [night.units[0].answer for night in found]
    bad = sum(answer in BAD for answer in worst)
    dark = worst.count("unknown")
    banks = f"{len(found)} bank{'' if len(found) == 1 else 's'}"
    lead = (
        f"{bad} of {banks} may not last the night."
        if bad
        else f"No bank of {banks} is forecast to fail tonight."
    )
    return f"{lead} Of {dark} nothing can be said." if dark else lead


@router.get("/tonight", response_class=HTMLResponse)
def tonight(request: Request, desk: AtDesk) -> Response:
    """Show every battery: will it last, until when, what to do."""
    now_ms = desk.now_ms()
    cards = desk.cards()
    found = nights(cards, desk.fleet(), now_ms)
    silent = [unit.name or unit.id for unit in desk.unassessed(cards) if unit.supply.kind == "battery"]
    return draw(
        request,
        "tonight.html",
        nights=found,
        headline=headline(found),
        silent=silent,
        made=text.stamp(now_ms, UTC),
    )
