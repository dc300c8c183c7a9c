"""Builds what is shown of a batch from one judgement."""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from services.analytics.food.batches import BatchJudgement
from services.analytics.food.coretemps import core_to_reach, not_mended_by_cooking
from services.analytics.food.datemark import batch_dates
from services.analytics.food.ranking import use_first
from services.domain import BatchCard, BatchTimer, FoodAnswer, Life, SpotCheck, Verdict
from services.records.said import Standing

RAW = frozenset(("poultry", "fish", "offal", "mince", "red_meat", "game"))
"""What drips and has to be cooked."""
NOTHING_FORMS_C = 0.0
"""Food never above this makes none of what cooking leaves in it (judgement, no source)."""


def batch_card_of(
    life: Life,
    judged: BatchJudgement,
    timers: tuple[BatchTimer, ...],
    *,
    computed: tuple[Verdict, str],
    standing: Standing,
    zone: tzinfo,
    spot: tuple[SpotCheck, ...],
    answers: tuple[FoodAnswer, ...],
    as_of_ms: int,
) -> BatchCard:
    """Return the card of one batch."""
    batch = life.batch
    dates = batch_dates(
        use_by=batch.use_by,
        opened_on=batch.opened_on,
        frozen_spans=life.frozen_spans,
        zone=zone,
        as_of_ms=as_of_ms,
        ready_to_eat=batch.ready_to_eat,
    )
    target = core_to_reach(batch.food_class, ready_to_eat=batch.ready_to_eat)
    first = use_first(
        batch.food_class,
        judged.curve.t_ms,
        judged.curve.highest_c,
        as_of_ms=as_of_ms,
        days_left=dates.days_left,
        vacuum_packed=batch.vacuum_packed,
        ready_to_eat=batch.ready_to_eat,
    )
    decides = max(judged.clocks, key=lambda c: (c.verdict.rank, c.minutes_worst_case))
    return BatchCard(
        batch=batch,
        computed=computed[0],
        computed_why=computed[1],
        standing=standing.verdict,
        standing_since=standing.since_ms,
        standing_why=standing.why,
        clocks=judged.clocks,
        timers=timers,
        minutes_above=decides.minutes_above,
        minutes_unknown=decides.minutes_unknown,
        minutes_worst_case=decides.minutes_worst_case,
        food_c=judged.food_c,
        food_basis=judged.basis,
        dates=dates.state,
        last_day=dates.last_day,
        dates_why=dates.why,
        cook_to_c=target.core_c,
        cook_to_why=f"{target.why} ({target.source})" if target.source else target.why,
        use_first=first.score,
        use_first_why=first.why,
        assumed=judged.assumed,
        spot=spot,
        answers=answers,
        marks=() if judged.warmth is None else judged.warmth.marks,
        not_mended=not_mended_by_cooking(batch.food_class) if _warmed(judged, standing.verdict) else (),
        as_of=as_of_ms,
    )


def _warmed(judged: BatchJudgement, standing: Verdict) -> bool:
    """Return whether something may have formed in it; in held frozen food that never thawed nothing did."""
    if any(clock.minutes_worst_case > 0 for clock in judged.clocks if clock.limit_c > 0):
        return True
    warmth = judged.warmth
    stayed_frozen = (
        warmth is not None
        and warmth.frozen_from_ms is not None
        and warmth.warmest_c is not None
        and warmth.warmest_c <= NOTHING_FORMS_C
        and warmth.unknown_min == 0
    )
    return standing.rank >= Verdict.HOLD.rank and not stayed_frozen


def with_warnings(cards: Sequence[BatchCard]) -> list[BatchCard]:
    """Return the cards of one cabinet with a word where raw food lies beside what is eaten as it is."""
    raw = sorted({c.batch.what for c in cards if c.batch.food_class in RAW and not c.batch.ready_to_eat})
    ready = sorted({c.batch.what for c in cards if c.batch.ready_to_eat})
    found = []
    for card in cards:
        words: tuple[str, ...] = ()
        if card.batch.ready_to_eat and raw:
            words = (f"keep it above raw food in the same cabinet ({', '.join(raw)})",)
        elif card.batch.what in raw and ready:
            words = (f"keep it below food that is eaten as it is ({', '.join(ready)})",)
        changes: dict[str, Any] = {"warnings": words}
        found.append(card if card.warnings == words else card.model_copy(update=changes))
    return found
