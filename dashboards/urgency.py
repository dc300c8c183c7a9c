"""Who needs somebody first: the order of the fleet page."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

from dashboards.natural import natural
from services.domain import UnitCard, Verdict
from services.timebase import HOUR_MS

LASTS_WELL_ENOUGH = 0.9
"""Chance of lasting to dawn below which somebody should act: the early end of the range (judgement)."""
_NIGHT_H = 12.0


class Need(IntEnum):
    """Why a cabinet stands where it stands, most urgent first."""

    DISCARD = 0
    HOLD = 1
    NOT_KNOWN = 2
    CUT_OUT = 3
    BATTERY = 4
    WATCH = 5
    COLD = 6
    RESTING = 7

    @property
    def needs_somebody(self) -> bool:
        """Whether somebody has to do something now."""
        return self <= Need.BATTERY


_BY_VERDICT = {
    Verdict.DISCARD_ADVISED: Need.DISCARD,
    Verdict.HOLD: Need.HOLD,
    Verdict.NO_DATA: Need.NOT_KNOWN,
}


@dataclass(frozen=True, slots=True)
class Placed:
    """A cabinet with its place in the order."""

    need: Need
    card: UnitCard


def dawn_chance(card: UnitCard) -> float | None:
    """Return the chance that the unit still runs at dawn, None when that was not worked out."""
    return next((last.chance for last in card.runout.lasts_until if last.name == "dawn"), None)


def battery_fails_tonight(card: UnitCard) -> bool:
    """Return whether the battery is not to be relied on until dawn, or for 12 h where dawn is unknown."""
    if card.runout.reason == "no_battery":
        return False
    chance = dawn_chance(card)
    if chance is not None:
        return chance < LASTS_WELL_ENOUGH
    p10 = card.runout.hours_p10
    return card.runout.reason == "discharging" and p10 is not None and p10 < _NIGHT_H


def need_of(card: UnitCard) -> Need:
    """Return why a cabinet needs somebody, if it does."""
    if card.state != "in_use" and card.standing.rank < Verdict.HOLD.rank:
        return Need.RESTING
    if card.standing in _BY_VERDICT:
        return _BY_VERDICT[card.standing]
    if card.cut_out_now:
        return Need.CUT_OUT
    if battery_fails_tonight(card):
        return Need.BATTERY
    return Need.WATCH if card.standing is Verdict.WATCH else Need.COLD


def stops_ms(card: UnitCard) -> float:
    """Return when to plan on the battery giving way, infinite where nothing says it does [ms]."""
    run = card.runout
    if run.reason == "cut_out" or card.cut_out_now:
        return float("-inf")
    if run.hours_p10 is None:
        return float("inf")
    charged_ms = run.if_charging_stops_at if run.reason == "charging" else None
    return (card.as_of if charged_ms is None else charged_ms) + run.hours_p10 * HOUR_MS


def at_risk_ms(card: UnitCard) -> float:
    """Return from when food is at risk, the early end; infinite where nothing was worked out [ms]."""
    risk = card.runout.food_at_risk
    return float("inf") if risk is None or risk.from_p10 is None else risk.from_p10


def _when_ms(card: UnitCard) -> float:
    """Return by when something happens, so that the soonest stands first among equals."""
    at_ms = at_risk_ms(card)
    return stops_ms(card) if at_ms == float("inf") else at_ms


def _rank(placed: Placed) -> tuple[float, float]:
    """Return the order of kinds of trouble, then the worst first or the soonest.

    Of what has no power and what soon has none, the food that is at risk first comes first.
    """
    if placed.need in {Need.CUT_OUT, Need.BATTERY}:
        return Need.CUT_OUT, _when_ms(placed.card)
    return placed.need, -placed.card.minutes_worst_case


def in_order(cards: Iterable[UnitCard]) -> list[Placed]:
    """Return cabinets, the one that needs somebody most first."""
    placed = [Placed(need_of(card), card) for card in cards]
    return sorted(
        placed,
        key=lambda p: (
            *_rank(p),
            p.need,
            _when_ms(p.card),
            natural(p.card.site_name or ""),
            natural(p.card.name),
        ),
    )
