"""Words for who has to do what, and by when, at a cabinet that needs somebody."""

import math

from dashboards import text
from dashboards.language import FoodPhrase, Phrase, Table, _, food
from dashboards.powerwords import move_words
from dashboards.urgency import Need, at_risk_ms, stops_ms
from services.domain import UnitCard

_MOBILE = frozenset({"vehicle", "trailer"})
_MEDICINE = FoodPhrase(
    "Have it put in quarantine at %(low)s to %(high)s, marked; ask the pharmacist "
    "with the times shown there.",
    low=2,
    high=8,
)
_BACKLOG = FoodPhrase(
    "Older readings are on their way. Until they are here, have somebody look at it and probe the food."
)
_LOOK = FoodPhrase(
    "Have somebody look: does it run, is it plugged in, is the lid shut? Have the food probed."
)
_CHARGE = Phrase("charge it, an engine or generator in the open air only (exhaust kills)")


def who(card: UnitCard, need: Need) -> str:
    """Return who is asked first: what a place has people for, as names of people follow no cabinet."""
    if need in {Need.DISCARD, Need.HOLD}:
        return _("cook, then you") if text.holds_food(card.classes) else _("you, with the pharmacist")
    if need is Need.CUT_OUT and card.cutouts and card.cutouts[0].cause in {"wiring", "unit", "limits"}:
        return _("workshop; until then whoever is there")
    if card.site_kind in _MOBILE:
        return _("the driver")
    return _("whoever is nearest") if need is Need.NOT_KNOWN else _("the camp hand")


def by_ms(card: UnitCard, need: Need) -> float | None:
    """Return by when somebody must have acted; None: now [ms]."""
    if need is Need.CUT_OUT:
        at_ms = at_risk_ms(card)
    elif need is Need.BATTERY:
        at_ms = min(stops_ms(card), at_risk_ms(card))
    else:
        return None
    return at_ms if math.isfinite(at_ms) else None


def by_words(card: UnitCard, need: Need, now_ms: int) -> str:
    """Return by when somebody must have acted, in the cabinet's own time."""
    at_ms = by_ms(card, need)
    if at_ms is None or at_ms <= now_ms:
        return _("now")
    return _("by %(time)s", time=text.clock(at_ms, text.zone_of(card), now_ms))


_HELD = FoodPhrase("Have the warmest pack probed, decide what becomes of the food, and close the hold.")
_DISCARD = FoodPhrase("Have it taped off and discarded where nobody eats it, then close the hold.")


def _stopped(card: UnitCard) -> str:
    cause = card.cutouts[0].cause if card.cutouts else "unknown"
    if cause in {"battery_flat", "battery_weak", "charging"}:
        return _("It has stopped cooling. Lid shut; %(charge)s.", charge=_CHARGE)
    return _("It has stopped cooling. Lid shut. %(check)s", check=text.CAUSE_CHECKS[cause])


def _battery(card: UnitCard) -> str:
    charge = next((move for move in card.runout.moves if move.action == "charge"), None)
    return text.sentence(_CHARGE() if charge is None else move_words(charge))


def _words(card: UnitCard, need: Need) -> str:
    match need:
        case Need.DISCARD:
            return _DISCARD()
        case Need.HOLD:
            return _HELD()
        case Need.NOT_KNOWN:
            return _BACKLOG() if card.backlog_expected else _LOOK()
        case Need.CUT_OUT:
            return _stopped(card)
        case Need.BATTERY:
            return _battery(card)
        case _:
            return ""


def task(card: UnitCard, need: Need) -> str:
    """Return what has to be done at a cabinet, empty where nothing has to."""
    medicine = "medicine" in card.classes and need in {Need.DISCARD, Need.HOLD}
    if medicine and not text.holds_food(card.classes):
        return _MEDICINE()
    words = _words(card, need)
    return (
        food("%(words)s Medicine in it: quarantine, ask the pharmacist.", words=words) if medicine else words
    )


_POWER_WORDS: Table[Need] = Table(
    {
        Need.CUT_OUT: "Stopped, no power",
        Need.BATTERY: "Battery will not last",
    }
)


def lead(card: UnitCard, need: Need) -> tuple[str, str, str]:
    """Return mark and word of what is wrong, and, where that is not the food, the verdict on it."""
    verdict = text.word_of(card, card.standing)
    if need in _POWER_WORDS:
        return "watch", _POWER_WORDS[need], food("food so far: %(verdict)s", verdict=verdict.lower())
    return card.standing.value, verdict, ""
