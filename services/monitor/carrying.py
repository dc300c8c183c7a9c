"""Units that were judged in full a moment ago: their live samples need no look at everything."""

from collections import OrderedDict
from dataclasses import dataclass, replace

from services.analytics.onward import Onward
from services.domain import Analysis, BatchCard, Fleet, UnitCard, Verdict
from services.monitor.cards import moved_on
from services.monitor.judge import AHEAD_MS, Case, doubt_of
from services.monitor.pending import Touch
from services.monitor.seen import Seen
from services.monitor.standing import advance
from services.records.said import Result, Standing
from services.store import StoreReader
from services.timebase import MINUTE_MS

AT_MOST_MS = 3 * MINUTE_MS
"""A judgement is carried on for no longer; a box that keeps up looks at everything after a minute."""
ROWS_KEPT = 6_000_000
"""Samples behind all that is carried on, about 90 bytes each: 500 units with eight days of minutes."""


@dataclass(frozen=True, slots=True)
class _Carried:
    """A unit as it was judged last, and what its next samples need."""

    onward: Onward
    card: UnitCard
    """Of its own clock."""
    statement_no: int
    inside: tuple[BatchCard, ...]
    calm_c: float
    """Up to this temperature nothing moves in its batches; infinite where there are none."""
    fleet: Fleet
    whole: Analysis
    """What was told when everything was looked at."""


class Carrying:
    """Carries judgements on; whatever asks for more is left to a judgement in full."""

    def __init__(self, reader: StoreReader) -> None:
        """Read new samples from the store."""
        self._reader = reader
        self._kept: OrderedDict[str, _Carried] = OrderedDict()
        self._rows = 0
        self.rows_read = 0
        """How many samples were read from the store so far."""

    def keeping(self, result: Result, onward: Onward | None, case: Case, fleet: Fleet) -> Result:
        """Return a judgement in full, remembering it where the next samples may be told by themselves."""
        unit = result.card.unit
        self.forget(unit)
        calm_c = calm_up_to_c(result)
        answered = case.context.release is not None and result.analysis.verdict.rank >= Verdict.HOLD.rank
        if onward is None or calm_c is None or answered or case.expected or doubt_of(case) is not None:
            return result
        own = result.own
        standing = {"standing": own.verdict, "standing_since": own.since_ms, "standing_why": own.why}
        self._put(
            unit,
            _Carried(
                onward=onward,
                card=result.card.model_copy(update=standing),
                statement_no=result.statement_no,
                inside=tuple(b.card for b in result.batches if _inside(b.card, unit)),
                calm_c=calm_c,
                fleet=fleet,
                whole=result.analysis,
            ),
        )
        while self._rows > ROWS_KEPT and len(self._kept) > 1:
            self.forget(next(iter(self._kept)))
        return result

    def forget(self, unit: str) -> None:
        """Have a unit judged in full next time."""
        kept = self._kept.pop(unit, None)
        self._rows -= 0 if kept is None else kept.onward.size

    def forget_all(self) -> None:
        """Have every unit judged in full next time."""
        self._kept.clear()
        self._rows = 0

    def may(self, unit: str, touch: Touch | None, now_ms: int) -> bool:
        """Return whether the samples that touched a unit can be looked at by themselves."""
        kept = self._kept.get(unit)
        if kept is None or touch is None or touch.t_min_ms <= kept.onward.last_ms:
            return False
        return 0 <= now_ms - kept.whole.as_of < AT_MOST_MS

    def carried(self, unit: str, touch: Touch, seen: Seen, *, fleet: Fleet, now_ms: int) -> Result | None:
        """Return what the newest samples of a unit make of it; None where all has to be looked at."""
        kept, latest = self._kept.get(unit), seen.latest(unit)
        if kept is None or latest is None or fleet is not kept.fleet:
            return None
        if latest.t_ms - latest.received_ms > AHEAD_MS or seen.expected(unit):
            return None
        last_ms = kept.onward.last_ms
        rows = self._reader.read(unit, last_ms + 1, min(touch.t_max_ms, now_ms) + 1)
        self.rows_read += len(rows)
        onward = kept.onward.after(rows, now_ms)
        if onward is None or onward.warmest_since_c(last_ms) > kept.calm_c:
            return None
        analysis = onward.analysis
        before = Standing(kept.card.standing, kept.card.standing_since, kept.card.standing_why)
        own = advance(before, analysis.verdict, at_ms=now_ms, why=analysis.verdict_why)
        card = moved_on(kept.card, analysis, onward.limits, latest=latest, standing=own)
        self._put(unit, replace(kept, onward=onward, card=card))
        told = card.with_batches(kept.inside)
        return Result(told, analysis, kept.statement_no, own_clock=own, goes_on_from=kept.whole)

    def _put(self, unit: str, carried: _Carried) -> None:
        self.forget(unit)
        self._kept[unit] = carried
        self._rows += carried.onward.size


def calm_up_to_c(result: Result) -> float | None:
    """Return up to which temperature nothing moves in the batches judged with a cabinet.

    Infinite where there are none; None where one has to be followed sample by sample: it is warm or
    medicine, nobody knows how warm it is, or it left the cabinet a moment ago.
    """
    lowest_c = float("inf")
    for card in (one.card for one in result.batches):
        if card.batch.unit != result.card.unit or card.batch.place == "gone":
            return None
        if card.batch.place != "stored":
            continue  # its time runs by itself
        limit_c = min((clock.limit_c for clock in card.clocks), default=None)
        cold = limit_c is not None and card.food_c is not None and card.food_c <= limit_c
        if limit_c is None or not cold or card.batch.food_class == "medicine":
            return None
        lowest_c = min(lowest_c, limit_c)
    return lowest_c


def _inside(card: BatchCard, unit: str) -> bool:
    return card.batch.unit == unit and card.batch.place == "stored"
