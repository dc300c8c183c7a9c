"""A verdict is for its moment: when nobody has judged a cabinet for minutes, good becomes not known."""

from collections.abc import Iterable

from services.domain import UnitCard, Verdict
from services.timebase import MINUTE_MS

LAPSES_AFTER_MS = 5 * MINUTE_MS
"""The monitor judges every unit at least once a minute; five missed turns are no accident (judgement)."""


def as_shown(card: UnitCard, now_ms: int) -> UnitCard:
    """Return the card as it may be shown now: unknown outranks good, what is worse than unknown stays."""
    silent_ms = now_ms - card.as_of
    if abs(silent_ms) <= LAPSES_AFTER_MS:
        return card
    why = (
        f"not judged for {silent_ms // MINUTE_MS} min: the monitor is silent"
        if silent_ms > 0
        else "judged at a time still to come: a clock was set back"
    )
    changes: dict[str, object] = {}
    if card.standing.rank < Verdict.NO_DATA.rank:
        changes |= {"standing": Verdict.NO_DATA, "standing_why": why, "standing_since": card.as_of}
    if card.computed.rank < Verdict.NO_DATA.rank:
        changes |= {"computed": Verdict.NO_DATA, "computed_why": why}
    return card.model_copy(update=changes)


def all_as_shown(cards: Iterable[UnitCard], now_ms: int) -> list[UnitCard]:
    """Return cards as they may be shown now."""
    return [as_shown(card, now_ms) for card in cards]
