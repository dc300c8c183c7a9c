"""Words for how long a cabinet runs, when its food is at risk, what cut it out and how long it was warm."""

from datetime import tzinfo
from typing import NamedTuple

from dashboards import text
from dashboards.language import _, food
from services.domain import Cutout, FoodAtRisk, Runout, UnitCard
from services.timebase import HOUR_MS


class RunoutWords(NamedTuple):
    """The run-out in words: what to plan on first, what is likely second."""

    plan: str
    likely: str
    note: str


def runout_words(runout: Runout, *, as_of_ms: int, zone: tzinfo, now_ms: int) -> RunoutWords:
    """Return the run-out in words; the early end leads, because people plan on it."""
    if runout.reason == "no_battery":
        return RunoutWords(_("no battery"), "", "")
    if runout.reason == "cut_out":
        return RunoutWords(_("stopped now"), "", _("the unit has cut out"))
    if runout.reason == "charging":
        return _charging(runout, zone=zone, now_ms=now_ms)
    if runout.hours_p10 is None:
        if runout.reason == "beyond_horizon":
            return RunoutWords(_("more than 7 days"), "", "")
        return RunoutWords(_("not known"), "", text.plain(runout.hours_p10_reason or runout.reason))
    plan = _ahead(as_of_ms + runout.hours_p10 * HOUR_MS, zone, now_ms)
    likely = _likely(runout, as_of_ms, zone, now_ms)
    return RunoutWords(_("plan on %(time)s", time=plan), _("likely %(time)s", time=likely), "")


def _ahead(t_ms: float, zone: tzinfo, now_ms: int) -> str:
    """Return a time to plan on: nobody can plan on one gone by."""
    return _("now") if t_ms < now_ms else text.clock(t_ms, zone, now_ms)


def _likely(runout: Runout, from_ms: float, zone: tzinfo, now_ms: int) -> str:
    if runout.hours_p50 is None:
        return _("more than 7 days")
    return _ahead(from_ms + runout.hours_p50 * HOUR_MS, zone, now_ms)


def _charging(runout: Runout, *, zone: tzinfo, now_ms: int) -> RunoutWords:
    if runout.hours_p10 is None:
        return RunoutWords(_("charging"), "", "")
    if runout.if_charging_stops_at is None:
        likely = _("more than 7 days") if runout.hours_p50 is None else text.hours(runout.hours_p50)
        then = _("then %(early)s (likely %(likely)s)", early=text.hours(runout.hours_p10), likely=likely)
        return RunoutWords(_("charging"), "", then)
    stop_ms = runout.if_charging_stops_at
    plan = _ahead(stop_ms + runout.hours_p10 * HOUR_MS, zone, now_ms)
    return RunoutWords(
        _("plan on %(time)s", time=plan),
        _("likely %(time)s", time=_likely(runout, stop_ms, zone, now_ms)),
        _("if charging stops at %(time)s", time=text.clock(stop_ms, zone, now_ms)),
    )


def risk_words(risk: FoodAtRisk | None, *, zone: tzinfo, now_ms: int) -> str:
    """Return from when food is at risk, early end first; empty when nothing can be told."""
    if risk is None or risk.from_p10 is None:
        return ""
    if risk.from_p10 <= now_ms:
        return _("now")
    early = text.clock(risk.from_p10, zone, now_ms)
    if risk.from_p50 is None:
        return early
    return _("%(early)s (likely %(likely)s)", early=early, likely=text.clock(risk.from_p50, zone, now_ms))


def cutout_words(cutout: Cutout, *, zone: tzinfo, now_ms: int) -> str:
    """Return one cut-out in a sentence."""
    start = text.clock(cutout.start, zone, now_ms)
    if cutout.end is None:
        when = _("Cut out %(start)s and has not come back", start=start)
    else:
        when = _("Cut out %(start)s to %(end)s", start=start, end=text.clock(cutout.end, zone, now_ms))
    if cutout.voltage_v is not None:
        when = _("%(when)s, at %(voltage)s", when=when, voltage=text.volts(cutout.voltage_v))
    cause = text.CAUSES[cutout.cause]
    if cutout.certainty != "certain":
        cause = _("%(cause)s (probable)", cause=cause)
    lost = text.minutes(cutout.minutes_without_cooling)
    return _("%(when)s: %(cause)s; %(lost)s without cooling.", when=when, cause=cause, lost=lost)


def above_words(card: UnitCard) -> str:
    """Return the minutes past the limit that decides, what is unknown, and the worst case if it differs."""
    if card.observed_at is None:
        return _("not known")
    limit_c = card.limit_c if card.decided_c is None else card.decided_c
    told = {"time": text.minutes(card.minutes_above), "limit": text.degrees(limit_c)}
    below, above = food("%(time)s below %(limit)s", **told), food("%(time)s above %(limit)s", **told)
    parts = [below if card.decided_below else above]
    if card.minutes_unknown > 0:
        parts.append(_("%(time)s not known", time=text.minutes(card.minutes_unknown)))
    if card.minutes_worst_case > card.minutes_above:
        parts.append(_("at worst %(time)s", time=text.minutes(card.minutes_worst_case)))
    return ", ".join(parts)
