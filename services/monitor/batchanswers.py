"""What published texts say of one batch, with the stops of the cabinets it lay in."""

from collections.abc import Callable, Mapping, Sequence

from services.analytics.food.answers import batch_answers, silent_cabinet
from services.analytics.food.batchair import Air
from services.analytics.food.batches import BatchJudgement
from services.domain import Cutout, FoodAnswer, Life, Verdict
from services.timebase import MINUTE_MS


def answers_of(
    life: Life,
    judged: BatchJudgement,
    airs: Mapping[str, Air],
    *,
    verdict: tuple[Verdict, str],
    cutouts_of: Callable[[str], Sequence[Cutout]],
    as_of_ms: int,
) -> tuple[FoodAnswer, ...]:
    """Return the answers for a batch, told its worst verdict and when its cabinets were cut off."""
    host = airs.get(life.batch.unit or "")
    presumed = None
    if judged.warmth is not None and host is not None and life.batch.place == "stored":
        presumed = silent_cabinet(
            host.settings,
            silent_ms=judged.warmth.silent_ms,
            gap_ms=host.gap_ms,
            as_of_ms=as_of_ms,
            ambient=host.ambient,
        )
    return batch_answers(
        life,
        judged,
        verdict=verdict[0],
        why=verdict[1],
        stopped_min=stopped_min(life, cutouts_of, as_of_ms=as_of_ms),
        presumed=presumed,
    )


def stopped_min(life: Life, cutouts_of: Callable[[str], Sequence[Cutout]], *, as_of_ms: int) -> float:
    """Return for how long cabinets it lay in were cut off meanwhile, as far as is known; in minutes."""
    stopped_ms = 0
    for stay in life.stays:
        if stay.unit is None:
            continue
        end_ms = as_of_ms if stay.end_ms is None else min(stay.end_ms, as_of_ms)
        for cut in cutouts_of(stay.unit):
            over_ms = as_of_ms if cut.end is None else cut.end
            stopped_ms += max(0, min(over_ms, end_ms) - max(cut.start, stay.start_ms))
    return stopped_ms / MINUTE_MS
