"""The standing verdict: data may raise it, only a named person lowers it."""

from services.domain import Analysis, Verdict
from services.records.said import Context, Standing
from services.timebase import iso_of

NEW_MINUTES = 1.0
"""Above or unknown for this long since the sign-off, a closed hold comes back (judgement, no source)."""


def advance(before: Standing | None, verdict: Verdict, *, at_ms: int, why: str) -> Standing:
    """Return what stands after a verdict was computed.

    From hold upwards the worst so far stands; below hold what stands follows what is computed.
    """
    if before is not None and before.verdict.rank >= Verdict.HOLD.rank:
        return before if verdict.rank <= before.verdict.rank else Standing(verdict, at_ms, why)
    if before is not None and before.verdict is verdict:
        return Standing(verdict, before.since_ms, why)
    return Standing(verdict, at_ms, why)


def is_answered(context: Context, computed: Verdict, *, limit_c: float, fresh: Analysis | None) -> bool:
    """Return whether a computed hold is one that a person has already closed.

    The food clock never goes down, so hours after a hold was closed the same minutes still compute
    to hold. They count again only when something is new: a worse verdict than the signed one, food
    that was signed for above its limit, or more minutes above or unknown since.

    Parameters
    ----------
    context : Context
        With the last sign-off.
    computed : Verdict
        What is computed now.
    limit_c : float
        The limit that decides. [°C]
    fresh : Analysis or None
        The same unit judged on nothing but what was measured since the sign-off.
    """
    release = context.release
    if release is None or fresh is None or computed.rank < Verdict.HOLD.rank:
        return False
    signed = max(Verdict(release.body["standing"]).rank, Verdict(release.body["computed"]).rank)
    if computed.rank > signed or float(release.body["probe_c"]) > limit_c:
        return False
    return new_minutes(fresh) < NEW_MINUTES


def new_minutes(fresh: Analysis) -> float:
    """Return the most minutes above or unknown on any clock that decides."""
    clocks = [e for e in fresh.exposure if e.rule is not None and e.basis != "cabinet"]
    return max((e.minutes_worst_case for e in clocks), default=0.0)


def answered_words(context: Context) -> str:
    """Return why a computed hold does not stand."""
    release = context.release
    if release is None:
        return ""
    disposition = str(release.body["disposition"]).replace("_", " ")
    return f"hold closed by {release.who} at {iso_of(release.t_ms)}: {disposition}; {release.body['reason']}"
