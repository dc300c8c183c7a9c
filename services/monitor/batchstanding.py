"""What stands of a batch after a judgement, and whether a person has closed what is computed."""

from services.analytics.food.batches import BatchJudgement
from services.domain import Verdict
from services.monitor.standing import NEW_MINUTES, advance
from services.records.said import BatchContext, Standing


def standing_after(
    context: BatchContext,
    found: BatchJudgement,
    computed: tuple[Verdict, str],
    *,
    now_ms: int,
    doubt: str | None,
) -> Standing:
    """Return what stands of a batch after a judgement: data raise it, only a named person lowers it."""
    verdict, why = computed
    if is_closed(context, found, verdict):
        closed = context.life.closed
        verdict, why = Verdict.WATCH, "" if closed is None else _closed_words(closed.who, closed.reason)
    standing = advance(context.standing, verdict, at_ms=now_ms, why=why)
    if doubt is not None and standing.verdict.rank < Verdict.NO_DATA.rank:
        return advance(context.standing, Verdict.NO_DATA, at_ms=now_ms, why=doubt)
    return standing


def is_closed(context: BatchContext, found: BatchJudgement, verdict: Verdict) -> bool:
    """Return whether a computed hold is one that a person has closed, with nothing new since."""
    closed = context.life.closed
    if closed is None or verdict.rank < Verdict.HOLD.rank:
        return False
    signed = max(Verdict(closed.standing).rank, Verdict(closed.computed).rank)
    if verdict.rank > signed or closed.probe_c > found.lowest_limit_c:
        return False
    return found.since_closed_min < NEW_MINUTES


def _closed_words(who: str, reason: str) -> str:
    return f"hold closed by {who}; {reason}"
