"""A batch of food turned into words, once, for every page that shows it."""

import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dashboards import foodwords, text
from dashboards.kitchen import may_be_used, standing
from dashboards.language import _, food, in_scale, scale
from dashboards.rolewords import signed_words
from dashboards.rulenames import rule_names
from services.domain import (
    BatchCard,
    BatchClock,
    BatchEvent,
    BatchTimer,
    Evidence,
    SpotCheck,
    UnitCard,
    Verdict,
)

OPERATORS = {"<": "<", "<=": "\N{LESS-THAN OR EQUAL TO}", ">": ">", ">=": "\N{GREATER-THAN OR EQUAL TO}"}
COMPARED = {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge}
_TEMPERATURE_FIELDS = ("probe_c", "surface_c", "core_c", "received_c")
_TOLD = ("quantity", "use_by", "opened_on", "supplier", "lot")


@dataclass(frozen=True, slots=True)
class TimerView:
    """A running clock of elapsed time in words."""

    what: str
    next: str
    verdict: str
    word: str
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class ReasonRow:
    """One thing that was compared, as a row of a table."""

    quantity: str
    value: str
    operator: str
    threshold: str
    unit: str
    met: str
    """Whether the comparison holds."""
    source: str


@dataclass(frozen=True, slots=True)
class ClockView:
    """Time above one limit in words: what the law says and what to do, side by side."""

    rule: str
    limit: str
    above: str
    unknown: str
    worst: str
    peak: str
    law: str
    verdict: str
    why: str
    source: str
    reasons: tuple[ReasonRow, ...]


@dataclass(frozen=True, slots=True)
class BatchView:
    """One batch in words."""

    id: int
    what: str
    details: str
    verdict: str
    word: str
    why: str
    since: str
    computed_word: str
    """Empty where it agrees with what stands."""
    where: str
    unit: str | None
    place: str
    above: str
    law: str
    core: str
    dates: str
    mark: str
    """The mark beside it in a list: nothing that may not be used bears that of food in order."""
    cook: str
    """Core temperature to reach in words, empty where there is none or where cooking is no answer."""
    cook_why: str
    first_why: str
    first_short: str
    """Why it stands where it stands in the order of use, as far as a list has room for it."""
    timers: tuple[TimerView, ...]
    holdable: bool
    usable: bool
    """Whether nothing that is known of it forbids using it."""
    frozen: bool
    by_time: bool
    """Held by time alone: it never goes back into the cold."""


def reason_rows(reasons: Sequence[Evidence]) -> tuple[ReasonRow, ...]:
    """Return what a verdict rests on, a row for each thing that was compared."""
    return tuple(_reason_row(r) for r in reasons)


def _reason_row(r: Evidence) -> ReasonRow:
    value, threshold = (in_scale(v) if r.unit == "°C" else v for v in (r.value, r.threshold))
    return ReasonRow(
        quantity=text.plain(r.quantity),
        value=text.number(value),
        operator=OPERATORS[r.operator],
        threshold=text.number(threshold),
        unit=scale() if r.unit == "°C" else r.unit,
        met=_("yes") if COMPARED[r.operator](r.value, r.threshold) else _("no"),
        source=r.source,
    )


def action_word(verdict: Verdict | None, classes: Sequence[str]) -> str:
    """Return what one clock asks for: "Cold" is said of a cabinet, not of one of its clocks."""
    if verdict is None:
        return "\N{EN DASH}"
    return food("nothing to do") if verdict is Verdict.OK else text.word(verdict, classes)


def batch_word(verdict: Verdict, food_class: str) -> str:
    """Return the verdict on a batch in words; food in order is not called cold, only in order."""
    return food("In order") if verdict is Verdict.OK else text.word(verdict, (food_class,))


def batch_view(card: BatchCard, cabinets: Mapping[str, UnitCard], zone: ZoneInfo, now_ms: int) -> BatchView:
    """Return a batch in words."""
    batch, verdict = card.batch, standing(card)
    cabinet = cabinets.get(batch.unit or "")
    since = card.standing_since
    computed = batch_word(card.computed, batch.food_class)
    past = card.dates == "past" and verdict.rank < Verdict.NO_DATA.rank
    word = foodwords.PAST_DATE() if past else batch_word(verdict, batch.food_class)
    usable = may_be_used(card)
    cook = foodwords.READY() if batch.ready_to_eat else foodwords.cook_to(card.cook_to_c)
    return BatchView(
        id=batch.id,
        what=batch.what,
        details=_details(card),
        verdict=verdict.value,
        word=word,
        why=text.sentence(card.standing_why),
        since="" if since is None else text.clock(since, zone, now_ms),
        computed_word="" if past or computed == word else computed,
        where=_where(card, cabinet, zone, now_ms),
        unit=batch.unit,
        place=batch.place,
        above=_above(card),
        law=foodwords.LAW[_law((*card.clocks, *card.spot))],
        core=_core(card),
        dates="" if card.dates == "none" else text.sentence(card.dates_why),
        mark=Verdict.HOLD.value if past else verdict.value,
        cook=cook if usable else "",
        cook_why=text.sentence(card.cook_to_why) if usable else "",
        first_why=text.sentence(card.use_first_why) if usable else "",
        first_short=text.sentence("; ".join(card.use_first_why.split("; ")[:2])) if usable else "",
        timers=tuple(timer_view(timer, batch.food_class, zone, now_ms) for timer in card.timers),
        holdable=card.standing.rank >= Verdict.HOLD.rank and batch.place != "gone",
        usable=usable,
        frozen=batch.frozen,
        by_time=foodwords.by_time(card),
    )


def _details(card: BatchCard) -> str:
    batch = card.batch
    parts = [
        foodwords.CLASSES[batch.food_class],
        foodwords.quantity(batch.quantity, batch.quantity_unit),
        _("frozen") if batch.frozen else "",
        _("ready to eat") if batch.ready_to_eat else "",
        _("vacuum packed") if batch.vacuum_packed else "",
        _("from %(supplier)s", supplier=batch.supplier) if batch.supplier else "",
        _("lot %(lot)s", lot=batch.lot) if batch.lot else "",
    ]
    return ", ".join(part for part in parts if part)


def _where(card: BatchCard, cabinet: UnitCard | None, zone: ZoneInfo, now_ms: int) -> str:
    batch = card.batch
    name = (
        _("a cabinet nobody named") if batch.unit is None else batch.unit if cabinet is None else cabinet.name
    )
    since = text.clock(batch.since, zone, now_ms)
    if batch.place == "gone":
        end = text.plain(batch.end or "gone")
        return _("%(end)s since %(since)s, last in %(name)s", end=end, since=since, name=name)
    if batch.place == "out":
        return _("taken out of %(name)s since %(since)s", name=name, since=since)
    return _("in %(name)s since %(since)s", name=name, since=since)


def _above(card: BatchCard) -> str:
    parts = [_("%(time)s above its limit", time=text.minutes(card.minutes_above))]
    if card.minutes_unknown > 0:
        parts.append(_("%(time)s not known", time=text.minutes(card.minutes_unknown)))
    if card.minutes_worst_case > card.minutes_above:
        parts.append(_("at worst %(time)s", time=text.minutes(card.minutes_worst_case)))
    return ", ".join(parts)


def _law(answers: Sequence[BatchClock | SpotCheck]) -> str | None:
    said = {answer.compliant for answer in answers}
    return next((answer for answer in ("no", "unknown", "yes") if answer in said), None)


def _core(card: BatchCard) -> str:
    if card.food_c is None:
        return _("not known")
    most = _("at most %(temperature)s", temperature=text.degrees(card.food_c))
    return most if card.food_basis is None else f"{most}, {foodwords.BASES[card.food_basis]}"


def timer_view(timer: BatchTimer, food_class: str, zone: ZoneInfo, now_ms: int) -> TimerView:
    """Return a running timer in words."""
    return TimerView(
        what=foodwords.TIMERS[timer.kind],
        next=text.sentence(_next(timer, zone, now_ms)),
        verdict=timer.verdict.value,
        word=batch_word(timer.verdict, food_class),
        why=text.sentence(timer.why),
        source=timer.source,
    )


def _next(timer: BatchTimer, zone: ZoneInfo, now_ms: int) -> str:
    if timer.next_at is None:
        return timer.next_words
    return _("by %(time)s: %(what)s", time=text.clock(timer.next_at, zone, now_ms), what=timer.next_words)


def clock_view(clock: BatchClock, food_class: str) -> ClockView:
    """Return one clock of a batch in words."""
    return ClockView(
        rule=rule_names(clock.rule),
        limit=text.degrees(clock.limit_c),
        above=text.minutes(clock.minutes_above),
        unknown=text.minutes(clock.minutes_unknown),
        worst=text.minutes(clock.minutes_worst_case),
        peak=text.degrees(clock.peak_c),
        law=foodwords.LAW[clock.compliant],
        verdict=action_word(clock.verdict, (food_class,)),
        why=text.sentence(clock.why),
        source=clock.source,
        reasons=reason_rows(clock.reasons),
    )


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def event_words(event: BatchEvent, names: Mapping[str, str]) -> str:
    """Return what a person said of a batch in a sentence; `names` are cabinets by their id."""
    body = event.body
    parts = [foodwords.EVENTS[event.kind]]
    if isinstance(unit := body.get("unit"), str):
        parts.append(_("into %(name)s", name=names.get(unit, unit)))
    if (disposition := body.get("disposition")) is not None:
        parts.append(text.DISPOSITIONS.get(str(disposition), text.plain(str(disposition))))
    if (number := body.get("event")) is not None:
        withdrawn = bool(body.get("withdrawn"))
        line, gone = _("line %(number)s", number=number), _("line %(number)s withdrawn", number=number)
        parts.append(gone if withdrawn else line)
    for field in _TEMPERATURE_FIELDS:
        value = body.get(field)
        if isinstance(value, int | float):
            parts.append(f"{text.plain(field.removesuffix('_c'))} {text.degrees(float(value))}")
    if (ice := body.get("ice")) is not None:
        parts.append(foodwords.ICE[bool(ice)])
    parts += [
        f"{text.plain(name)} {_shown(body[name])}" for name in _TOLD if body.get(name) not in {None, ""}
    ]
    if (hours := body.get("time_control")) is not None:
        parts.append(_("by time alone, %(hours)s h", hours=str(hours).removesuffix("h")))
    if event.kind == "corrected" and (what := body.get("what")) is not None:
        parts.append(_("it is %(what)s", what=what))
    reason = str(body.get("reason") or body.get("note") or "")
    return text.sentence(f"{event.who} ({signed_words(event.signed)}): {', '.join(parts)}") + (
        f" {reason}" if reason else ""
    )
