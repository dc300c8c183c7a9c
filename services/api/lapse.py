"""A verdict is for its moment: when nobody has judged a cabinet for minutes, good becomes not known."""

from collections.abc import Iterable

from services.domain import BatchCard, UnitCard, Verdict
from services.timebase import MINUTE_MS

LAPSES_AFTER_MS = 5 * MINUTE_MS
"""The monitor judges every unit at least once a minute; five missed turns are no accident (judgement)."""


def as_shown(card: UnitCard, now_ms: int) -> UnitCard:
    """Return the card as it may be shown now: unknown outranks good, what is worse than unknown stays."""
    why = _not_judged(card.as_of, now_ms)
    return card if why is None else card.model_copy(update=_lapsed(card, why))


def batch_as_shown(card: BatchCard, now_ms: int) -> BatchCard:
    """Return the card of a batch as it may be shown now; nobody judges what is gone."""
    why = None if card.batch.place == "gone" else _not_judged(card.as_of, now_ms)
    return card if why is None else card.model_copy(update=_lapsed(card, why))


def _not_judged(as_of_ms: int, now_ms: int) -> str | None:
    silent_ms = now_ms - as_of_ms
    if abs(silent_ms) <= LAPSES_AFTER_MS:
        return None
    if silent_ms > 0:
        return f"not judged for {silent_ms // MINUTE_MS} min: the monitor is silent"
    return "judged at a time still to come: a clock was set back"


def _lapsed(card: UnitCard | BatchCard, why: str) -> dict[str, object]:
    changes: dict[str, object] = {}
    if card.standing.rank < Verdict.NO_DATA.rank:
        changes |= {"standing": Verdict.NO_DATA, "standing_why": why, "standing_since": card.as_of}
    if card.computed.rank < Verdict.NO_DATA.rank:
        changes |= {"computed": Verdict.NO_DATA, "computed_why": why}
    if isinstance(card, UnitCard):
        own = card.own_standing
        if own is not None and own.rank < Verdict.NO_DATA.rank:
            changes["own_standing"] = Verdict.NO_DATA
    return changes


def all_as_shown(cards: Iterable[UnitCard], now_ms: int) -> list[UnitCard]:
    """Return cards as they may be shown now."""
    return [as_shown(card, now_ms) for card in cards]
