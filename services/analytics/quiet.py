"""Silence that raises what a unit is judged by: heard of for longer ago than its food keeps."""

from services.analytics.silence import Silences, silences
from services.analytics.view import View
from services.domain import Exposure, UnitSettings, Verdict


def silent(view: View, settings: UnitSettings, *, from_ms: int, to_ms: int) -> Silences:
    """Return when the unit was silent for longer than its food keeps; never where nobody judges it."""
    probed = settings.unit.sensor.position == "product" and view.product.t_ms.size
    heard = (view.product if probed else view.cabinet).t_ms
    if settings.unit.state != "in_use" or not _decides(view):
        heard = heard[:0]
    return silences(
        view.series,
        settings,
        limit_c=view.limits.food_limit_c,
        heard_ms=heard,
        expected=view.terms.expected,
        from_ms=from_ms,
        to_ms=to_ms,
    )


def _decides(view: View) -> bool:
    """Return whether the limit the hold-over runs to can lead to hold at all."""
    return any(
        limit.limit_c == view.limits.food_limit_c and limit.cap != "watch"
        for limit in view.limits.limits
        if not limit.below and not limit.guard
    )


def outlasted(entry: Exposure, view: View, quiet: Silences, as_of_ms: int) -> Exposure:
    """Return an entry of the deciding limit raised to hold by silence; any other as it is."""
    judged = entry.verdict is not None and Verdict(entry.verdict).rank < Verdict.HOLD.rank
    if not judged or entry.basis == "cabinet" or entry.limit_c != view.limits.food_limit_c:
        return entry
    return entry.model_copy(
        update={
            "verdict": Verdict.HOLD,
            "why": f"{entry.why}; {quiet.words(as_of_ms)}",
            "reasons": (*entry.reasons, quiet.row(as_of_ms)),
        }
    )
