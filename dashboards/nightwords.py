"""Words for the night: does a battery last, until when, what feeds it, what to do."""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta, tzinfo

from dashboards import text
from dashboards.language import Lines, Phrase, _, msg
from dashboards.powerwords import move_words
from dashboards.urgency import LASTS_WELL_ENOUGH, dawn_chance
from services.domain import LastsUntil, Runout, UnitCard
from services.domain.lasting import asked, chance_until
from services.timebase import HOUR_MS, MINUTE_MS, ms_of

BAD = frozenset({"stopped", "no", "perhaps"})
_NIGHT_H = 12.0
_WORTH_A_WORD_MS = 30 * MINUTE_MS
_SURE, _HARDLY = 0.98, 0.02
_NO_GAIN_H = 5 / 60
"""Usual charging that gives less than this comes after the stop; the rest is how futures are drawn. [h]"""

ANSWERS: dict[str, tuple[str, str, str]] = {
    "stopped": ("hold", "watch", msg("Stopped now")),
    "no": ("hold", "watch", msg("Will not last")),
    "perhaps": ("watch", "watch", msg("May not last")),
    "unknown": ("no_data", "no_data", msg("Not known")),
    "charging": ("ok", "ok", msg("Charging")),
    "yes": ("ok", "ok", msg("Lasts the night")),
}
"""By answer, worst first: tone, mark and words; the marks of food on hold stay with food."""

FED_BY: dict[str, Phrase] = {
    "generator": Phrase("runs from the generator until %(time)s, as usual"),
    "mains": Phrase("runs from mains until %(time)s, as usual"),
    "engine": Phrase("the engine charges it until %(time)s, as usual"),
    "solar": Phrase("the sun charges it until %(time)s, as usual"),
}
"""By what the unit says of its supply while something charges its bank."""

CAUTIONS = Lines(
    "Engines and generators run in the open air only: exhaust gas kills. Night driving may be forbidden.",
    "Every cable is fused at the battery, at no more than the cable is rated for.",
    "Banks are joined and cables changed by somebody licensed; switched off and isolated first.",
)


def next_at(at: time, zone: tzinfo, now_ms: int) -> int:
    """Return the next moment at which the clocks of a place show a time [ms]."""
    today = text.local(now_ms, zone).date()
    found = ms_of(datetime.combine(today, at, tzinfo=zone))
    if found > now_ms:
        return found
    return ms_of(datetime.combine(today + timedelta(days=1), at, tzinfo=zone))


def answer_of(card: UnitCard, now_ms: int, until: time | None = None) -> str:
    """Return whether a cabinet runs until a time, else through the night, as a key of `ANSWERS`.

    Silence outranks good news.
    """
    found = _answer(card, now_ms, until)
    silent = card.observed_at is None or now_ms - card.observed_at > text.past_limit_ms(card)
    return "unknown" if silent and found in {"yes", "charging"} else found


def _answer(card: UnitCard, now_ms: int, until: time | None) -> str:
    runout = card.runout
    if card.cut_out_now or runout.reason == "cut_out":
        return "stopped"
    if runout.reason == "not_enough_data":
        return "unknown"
    if until is None:
        chance = dawn_chance(card)
        return _without_chance(runout) if chance is None else _by_chance(runout, chance)
    chance = chance_until(runout, next_at(until, text.zone_of(card), now_ms), as_of_ms=card.as_of)
    return "unknown" if chance is None else _by_chance(runout, chance)


def _by_chance(runout: Runout, chance: float) -> str:
    if chance < 0.5:  # noqa: PLR2004 - more likely not
        return "no"
    if chance < LASTS_WELL_ENOUGH:
        return "perhaps"
    return "charging" if runout.reason == "charging" else "yes"


def _without_chance(runout: Runout) -> str:
    if runout.reason == "beyond_horizon":
        return "yes"
    if runout.hours_p10 is None:
        return "charging" if runout.reason == "charging" else "unknown"
    if runout.hours_p10 >= _NIGHT_H:
        return "yes"
    return "no" if runout.hours_p50 is not None and runout.hours_p50 < _NIGHT_H else "perhaps"


_LASTS_UNTIL = {
    "no": Phrase("Will not last until %(time)s"),
    "perhaps": Phrase("May not last until %(time)s"),
    "yes": Phrase("Lasts until %(time)s"),
}


def answer_words(answer: str, until: time | None = None) -> str:
    """Return an answer in words; one that was asked for a time names it."""
    if until is not None and answer in {"no", "perhaps", "yes"}:
        return _LASTS_UNTIL[answer](time=f"{until:%H:%M}")
    return _(ANSWERS[answer][2])


def _moment(last: LastsUntil) -> str:
    return _("the time asked for") if last.name == "asked" else text.plain(last.name)


def in_words(chance: float) -> str:
    """Return a chance in words that promise nothing at either end, rounded down."""
    if chance >= _SURE:
        return _("nearly certain")
    return _("less than 2 %%") if chance < _HARDLY else f"{math.floor(100 * chance + 1e-9)} %"


def chance_words(last: LastsUntil, zone: tzinfo, now_ms: int) -> str:
    """Return the chance of lasting to a moment."""
    return _(
        "to %(moment)s, %(time)s: %(chance)s",
        moment=_moment(last),
        time=text.clock(last.at, zone, now_ms),
        chance=in_words(last.chance),
    )


def chances(card: UnitCard, now_ms: int, until: time | None = None) -> tuple[str, ...]:
    """Return the chances of a cabinet, that of a time asked for leading, and what its habits would change.

    Several moments it is nearly certain to reach are told in one line.
    """
    zone, told = text.zone_of(card), card.runout.lasts_until
    if until is not None:
        with_it = asked(card.runout, next_at(until, zone, now_ms), as_of_ms=card.as_of).lasts_until
        told = (*(one for one in with_it if one.name == "asked"), *told)
    if len(told) > 1 and all(one.chance >= _SURE for one in told):
        *others, last = (f"{_moment(one)} ({text.clock(one.at, zone, now_ms)})" for one in told)
        moments = _("%(others)s and %(last)s", others=", ".join(others), last=last)
        lines: tuple[str, ...] = (_("nearly certain to reach %(moments)s", moments=moments),)
    else:
        lines = tuple(chance_words(one, zone, now_ms) for one in told)
    return (*lines, *_usual(card, zone, now_ms))


_CHARGES = Phrase("charges until %(time)s, as usual")


def _usual(card: UnitCard, zone: tzinfo, now_ms: int) -> tuple[str, ...]:
    """Return until when it runs if what usually charges it comes again; nothing where it has no habit."""
    usual = card.runout.usual_charging
    if usual is None or usual.ah_per_day <= 0:
        return ()
    if usual.hours_p10 is None:
        return (_("with its usual charging: more than 7 days"),)
    alone_h = card.runout.hours_p10
    if alone_h is not None and usual.hours_p10 < alone_h + _NO_GAIN_H:
        return (_("its usual charging comes too late to move that"),)
    at_ms = card.as_of + usual.hours_p10 * HOUR_MS
    return (
        _("with its usual charging: plan on %(time)s", time=text.clock(max(at_ms, now_ms), zone, now_ms)),
    )


def fed_words(card: UnitCard, now_ms: int) -> str:
    """Return what feeds a cabinet now and until when, counted on in its hours; empty where nothing does."""
    stop_ms = card.runout.if_charging_stops_at
    if card.runout.reason != "charging" or stop_ms is None or card.runout.hours_p10 is None:
        return ""
    if stop_ms <= now_ms + MINUTE_MS:
        return _("if charging stops now")
    fed = FED_BY.get(str(card.latest.get("supply")), _CHARGES)
    return fed(time=text.clock(stop_ms, text.zone_of(card), now_ms))


def why_different(plans: Sequence[tuple[str, float]], cutouts_v: Mapping[str, float | None]) -> str:
    """Return why cabinets of one bank show different hours; empty where they hardly differ.

    Parameters
    ----------
    plans : sequence of (str, float)
        Name of each cabinet, and when to plan on its stop; infinite for more than a week. [ms]
    cutouts_v : mapping of str
        Cut-out by name, None where the fleet file gives none. [V]
    """
    times = sorted(at_ms for _, at_ms in plans)
    if not times or times[-1] == times[0] or times[-1] - times[0] < _WORTH_A_WORD_MS:
        return ""
    known = {name: cutouts_v.get(name) for name, _ in plans}
    lead = _("One battery, different hours: each cabinet stops at its own cut-out voltage")
    if None in known.values() or len(set(known.values())) == 1:
        return _(
            "%(lead)s, at the end of its own cable: the longer or thinner one gets there first.", lead=lead
        )
    told = ", ".join(
        f"{name} at {text.number(volts)} V" for name, volts in known.items() if volts is not None
    )
    return _("%(lead)s (%(told)s); what has stopped leaves more to the others.", lead=lead, told=told)


def generator_words(card: UnitCard, now_ms: int) -> str:
    """Return what becomes of a cabinet that a generator alone feeds."""
    risk = card.runout.food_at_risk
    stopped = _("stands without supply now") if card.cut_out_now else _("runs as long as the generator does")
    silent = card.observed_at is None or now_ms - card.observed_at > text.past_limit_ms(card)
    lead = (
        _("last heard %(ago)s: how it is now is not known", ago=text.age(card.observed_at, now_ms))
        if silent
        else stopped
    )
    holds = None if risk is None else risk.holdover_hours
    if risk is None or holds is None:
        return text.sentence(_("%(lead)s; how long its food stays cold without it is not known", lead=lead))
    early, likely = (text.hours(value) for value in (holds.p10, holds.p50))
    return text.sentence(
        _(
            "%(lead)s; without it plan on %(early)s until the food is at %(limit)s (likely %(likely)s)",
            lead=lead,
            early=early,
            limit=text.degrees(risk.limit_c),
            likely=likely,
        )
    )


_CHARGE = Phrase("Charge it: mains, or engine or generator in the open air (exhaust kills).")
_LOOK = Phrase("Go and look: nothing can be said of it from here. Is the plug in, does it run?")
_STOPPED = Phrase("It has stopped cooling. Keep the lid shut, charge the bank, and measure the warmest food.")


def todo(answers: frozenset[str], worst: UnitCard, engine: str) -> tuple[str, ...]:
    """Return what to do for a bank, the most pressing first; nothing where it lasts.

    The moves are those of the cabinet that gives way first: they are moves of the bank they share.
    """
    found = []
    if "stopped" in answers:
        found.append(_STOPPED())
    if answers <= {"unknown"} or ("unknown" in answers and not found):
        found.append(_LOOK())
    if engine:
        found.append(
            _("The engine may not start now.")
            if engine == _("now")
            else _("Start the engine before %(time)s.", time=engine)
        )
    if answers & BAD:
        moves = [move for move in worst.runout.moves if move.gain_hours > 0]
        if not any(move.action == "charge" for move in moves) and "stopped" not in answers:
            found.append(_CHARGE())
        found += [text.sentence(move_words(move)) for move in moves]
    return tuple(found)
