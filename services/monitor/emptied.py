"""Cabinets that are warm since their food went: a hold that computes again there is the trouble of before."""

from collections.abc import Mapping, Sequence

from services.domain import Exposure, Notice, UnitCard, Verdict
from services.domain.noticerates import CALLS
from services.records.facade import Records
from services.records.said import Context, Statement
from services.timebase import MINUTE_MS

COLD_MS = 30 * MINUTE_MS
"""Air that was not known to be above the limit for longer may have been cold, and food put in (judgement; as
long as warm air has to stand before it is worth a look)."""
MOST_WORDS = 200
_GONE = ("moved", "discarded")


class Emptied:
    """Finds cabinets whose food went by a named person's word, and of which nothing was new since.

    A cabinet is as any other on hold once a batch was in it, somebody took a reading in food in it, said
    that it is in use, decided otherwise or corrected a word, and once its air was cold or not known for a
    while, unless somebody says that it is empty; then until the next decision.
    """

    def __init__(self, records: Records) -> None:
        """Read what people said, and how warm it was, from the records."""
        self._records = records
        self._contexts: Mapping[str, Context] = {}

    def since(self, cards: Sequence[UnitCard], kept: Mapping[str, Notice], now_ms: int) -> dict[str, int]:
        """Return by unit when the food went; `kept` are notices by cause."""
        warm = {card.unit: card for card in cards if _may_be(card)}
        self._contexts = self._records.contexts(sorted(warm), self._contexts) if warm else {}
        found = {}
        for unit, card in warm.items():
            gone_ms = _gone_ms(self._contexts[unit], card, kept.get(f"unit:{unit}:hold"))
            if gone_ms is not None and self._is_same(card, gone_ms, now_ms):
                found[unit] = gone_ms
        return found

    def _is_same(self, card: UnitCard, gone_ms: int, now_ms: int) -> bool:
        span = (gone_ms + 1, now_ms + 1)
        said = self._records.statements_between(*span, units=[card.unit], limit=MOST_WORDS)
        if len(said) == MOST_WORDS or any(_is_new(each) for each in said):
            return False
        if self._records.batch_events_between(*span, units=[card.unit], limit=1):
            return False
        return card.state == "empty" or self._is_warm(card, gone_ms)

    def _is_warm(self, card: UnitCard, gone_ms: int) -> bool:
        """Return whether the air has been above the limit ever since, as far as it is looked at."""
        analysis = self._records.analysis(card.unit)
        clocks = [] if analysis is None else analysis["exposure"]
        found = [c for c in clocks if c["basis"] == "cabinet" and c["limit_c"] == card.limit_c]
        if not found or card.observed_at is None:
            return False
        air = Exposure.model_validate(found[0])
        reached_ms = max(gone_ms, air.start)
        for episode in sorted(air.episodes, key=lambda e: e.start):
            if episode.start - reached_ms > COLD_MS:
                return False
            reached_ms = max(reached_ms, episode.end)
        return card.observed_at - reached_ms <= COLD_MS


def _may_be(card: UnitCard) -> bool:
    air_c = card.latest.get("cabinet_c")
    warm = isinstance(air_c, float) and air_c > card.limit_c
    return (warm or _is_held(card)) and not card.batches and not card.decided_below


def _is_held(card: UnitCard) -> bool:
    return card.standing.rank >= Verdict.HOLD.rank


def _is_new(said: Statement) -> bool:
    """Return whether a word says, or may say, that there is food again."""
    in_use = said.kind == "unit_state" and said.body.get("state") == "in_use"
    return in_use or said.kind in {"probe", "corrected", "release"}


def _gone_ms(context: Context, card: UnitCard, notice: Notice | None) -> int | None:
    """Return when the food went, where a hold stands the food that was in before; None where nobody said so.

    A word that a cabinet is empty decides nothing about a hold that stood already.
    """
    release = context.release
    signed_ms = release.t_ms if release is not None and release.body["disposition"] in _GONE else None
    gone = [ms for ms in (signed_ms, context.clock_from_ms) if ms is not None]
    if not _is_held(card):
        return max(gone, default=None)
    since_ms = card.standing_since
    gone_ms = max((ms for ms in gone if since_ms is not None and ms < since_ms), default=None)
    if gone_ms is None or notice is None or not notice.active or notice.what_to_do == "say_empty":
        return gone_ms
    called_ms = max(line.at for line in notice.lines if line.kind in CALLS)
    return gone_ms if gone_ms == signed_ms and called_ms <= signed_ms else None
