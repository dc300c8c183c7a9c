"""What to do now, in numbered steps; advice that never hurts, and none that needs a guess."""

import math
from collections.abc import Iterable, Sequence

from dashboards import text
from dashboards.urgency import battery_fails_tonight
from services.domain import UnitCard, Verdict

_CHARGE = "Charge the battery: mains, or engine or generator in the open air (exhaust kills)."


_GO_AND_LOOK = "Go and look: is it running, is the plug in, is the lid shut?"


def _silent(card: UnitCard) -> bool:
    heard_ms = card.observed_at
    return heard_ms is None or card.as_of - heard_ms > text.past_limit_ms(card)


def colder_places(card: UnitCard, others: Iterable[UnitCard]) -> list[UnitCard]:
    """Return cabinets of the same kind and place that are cold enough for this one's food, coldest first."""
    found = [
        other
        for other in others
        if other.unit != card.unit
        and other.site == card.site
        and other.kind == card.kind
        and other.state == "in_use"
        and other.standing is Verdict.OK
        and not other.cut_out_now
        and "medicine" not in other.classes
        and _reading_c(other) <= card.limit_c
    ]
    return sorted(found, key=_reading_c)


def _reading_c(card: UnitCard) -> float:
    """Return the newest cabinet temperature, infinite where there is none [°C]."""
    return float(card.latest.get("cabinet_c", math.inf))


def _move(places: Sequence[UnitCard], what: str) -> str:
    if not places:
        return f"{what} No other cold cabinet is known here: use ice, lid shut."
    return f"{what} Cold now: {', '.join(place.name for place in places[:2])}."


def _medicine(card: UnitCard) -> list[str]:
    if "medicine" not in card.classes or card.standing.rank < Verdict.HOLD.rank:
        return []
    return [
        "Medicine: do not use it and do not throw it away; put it in quarantine, marked.",
        "Keep it at 2 to 8 °C.",
        "Ask the pharmacist, with the times shown here.",
    ]


def _not_known(card: UnitCard) -> list[str]:
    if card.backlog_expected:
        first = "Readings are on their way; until they are here nothing is known. Go and look."
    else:
        first = _GO_AND_LOOK
    return [
        first,
        "Measure the warmest food with a clean probe and write the reading down.",
        "Serve nothing from it on its look or smell.",
    ]


def steps(card: UnitCard, others: Iterable[UnitCard]) -> list[str]:
    """Return what to do now with a cabinet and its food."""
    if text.is_resting(card, card.standing):
        return ["Not in use: nothing in it is judged. Put no food in before it is cold and in use again."]
    medicine = _medicine(card)
    if medicine and not text.holds_food(card.classes):
        return medicine
    return [*medicine, *_food(card, others)]


def _food(card: UnitCard, others: Iterable[UnitCard]) -> list[str]:
    """Return what to do with a cabinet and what is not medicine in it."""
    places = colder_places(card, others)
    found = []
    if card.cut_out_now and card.state == "in_use":
        found = ["It has stopped cooling. Keep the lid shut.", _CHARGE]
    charge = [_CHARGE] if not found and card.state == "in_use" and battery_fails_tonight(card) else []
    match card.standing:
        case Verdict.DISCARD_ADVISED:
            return [
                "Do not cook, serve or taste this food. Cooking does not mend it.",
                "Tape it and set it apart, below other food.",
                "Discard it: not to staff, pets or an open pit. Then close the hold below.",
                *found,
            ]
        case Verdict.HOLD:
            return [
                "Do not cook or serve from this cabinet.",
                *([_GO_AND_LOOK] if _silent(card) else []),
                _move(places, "Tape the food and set it apart below other food, cold."),
                "Clean the probe, measure the warmest pack, read between packs.",
                "Ask the manager, then close the hold below.",
                *found,
            ]
        case Verdict.NO_DATA:
            return [*_not_known(card), *found]
        case Verdict.WATCH:
            return [
                *found,
                "Keep the lid shut and check that it runs.",
                _move(places, "If it is not colder in 20 minutes, move the food."),
                *charge,
            ]
        case Verdict.OK:
            return [*found, *charge] or ["Nothing to do. Open it seldom, shut it fast."]


def reading_words(card: UnitCard) -> str:
    """Return the newest cabinet temperature in words."""
    value = card.latest.get("cabinet_c")
    return text.degrees(None if value is None else float(value))
