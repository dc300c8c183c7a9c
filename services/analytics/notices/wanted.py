"""What there is to tell now: every trouble of every unit, before troubles of one cause are put together."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from services.analytics.notices.batteries import battery_short
from services.analytics.notices.kinds import (
    FLOOD_KEY,
    RISK_BEYOND_MS,
    RISK_WITHIN_MS,
    SILENT_AFTER_MS,
    SILENT_INTERVALS,
    UNKNOWN_UP_TO_MS,
    priority_of,
)
from services.analytics.notices.saying import POWER, Look, Said, bank_of, told_of, who_is_there
from services.domain import (
    FOUND_LATE,
    Consequence,
    Fleet,
    Notice,
    NoticePriority,
    NoticeTask,
    Told,
    UnitCard,
    Verdict,
)
from services.timebase import HOUR_MS, SECOND_MS

_MOBILE = frozenset({"vehicle", "trailer"})
FLAT = frozenset({"battery_flat", "battery_weak", "charging", "supply_interrupted"})
"""Causes of a cut-out that lie in what feeds the unit, not in the unit or its own cable."""
_OUTLASTED = "nothing heard for "
_UNKNOWN_WHYS = ("not known whether ", _OUTLASTED)
"""How the reason of a hold begins that nothing measured led to (see `verdicts.why` and `silence.words`)."""


def is_unknown(why: str) -> bool:
    """Return whether a hold came of not knowing, and of nothing that was measured."""
    return why.casefold().startswith(_UNKNOWN_WHYS)


@dataclass(frozen=True, slots=True)
class HouseTrouble:
    """What the house itself cannot do at the moment."""

    part: str
    words: str
    down: bool


def troubles(
    cards: Iterable[UnitCard],
    house: Sequence[HouseTrouble],
    fleet: Fleet,
    *,
    now_ms: int,
    told: Collection[str],
    tested: Collection[str] = (),
    emptied: Mapping[str, int] | None = None,
) -> list[Told]:
    """Return every trouble there is, one for each unit and kind (see `Look` for what is given)."""
    look = Look(now_ms, told, bank_of(fleet), tested, {} if emptied is None else emptied)
    found = [_house(trouble, now_ms) for trouble in house]
    for card in cards:
        found += of_unit(card, look)
    return found


def _house(trouble: HouseTrouble, now_ms: int) -> Told:
    consequence: Consequence = "nothing_told" if trouble.down else "wears"
    return Told(
        cause_key=f"house:{trouble.part}:{'down' if trouble.down else 'doubt'}",
        kind="system_trouble",
        priority=priority_of(consequence, None),
        since=now_ms,
        cause=trouble.words,
        consequence=consequence,
        what_to_do="see_box",
        who="administrator",
    )


def of_flood(kept_back: int, now_ms: int) -> Told:
    """Return that so many notices were kept back within the last ten minutes."""
    return Told(
        cause_key=FLOOD_KEY,
        kind="system_trouble",
        priority="medium",
        since=now_ms,
        cause=f"notices kept back within ten minutes: {kept_back}",
        consequence="not_known",
        what_to_do="see_list",
        who="manager",
    )


QUIET_BY_DESIGN = "no unit of it is in use, or it is in a test: not told of, by design"


def passed_by(notice: Notice, cards: Iterable[UnitCard], tested: Collection[str]) -> str:
    """Return why a notice passes where that is worth a word."""
    about = [card for card in cards if card.unit in notice.units]
    if about and all(card.state != "in_use" or card.unit in tested for card in about):
        return QUIET_BY_DESIGN
    return came_late(notice, about)


def came_late(notice: Notice, cards: Iterable[UnitCard]) -> str:
    """Return what units did while nothing was heard of them, counted: that is not told singly."""
    stops = sum(
        1
        for card in cards
        if card.unit in notice.units
        for cutout in card.cutouts
        if notice.since <= cutout.start < card.as_of
    )
    return f"cut-outs meanwhile: {stops}" if notice.kind == "silence" and stops else ""


def of_unit(card: UnitCard, look: Look) -> list[Told]:
    """Return the troubles of one unit; of one that is quiet by design only what stands of its food."""
    found = [told for told in (_hold(card, look),) if told is not None]
    if look.is_meant(card):
        return found
    for each in (_silence, _cut_out, battery_short, _at_risk, _doubt):
        one = each(card, look)
        if one is not None:
            found.append(one)
    return found + _service(card)


def _hold(card: UnitCard, look: Look) -> Told | None:
    """Return what stands of the food: high where warmth was measured, for it spoils while it waits.

    What only not knowing led to is as urgent as not knowing; heard again and found cold it can wait.
    """
    if card.standing.rank < Verdict.HOLD.rank:
        return None
    if card.unit in look.emptied:
        return _still_warm(card, look.emptied[card.unit])
    discard = card.standing is Verdict.DISCARD_ADVISED
    medicine = bool(card.classes) and all(name == "medicine" for name in card.classes)
    task: NoticeTask = "quarantine" if medicine else "discard" if discard else "probe_and_decide"
    since_ms = card.as_of if card.standing_since is None else card.standing_since
    said = Said(
        "hold",
        "food_undecided",
        task,
        "manager" if medicine else "cook",
        since_ms,
        card.standing_why,
        late=FOUND_LATE in card.standing_why,
    )
    told = told_of(card, said)
    if discard or not is_unknown(card.standing_why):
        return told
    if is_silent(card, look.now_ms):
        return told.model_copy(update={"priority": _of_not_knowing(card)})
    known = card.computed.rank < Verdict.HOLD.rank
    return told.model_copy(update={"priority": "low" if known else "medium"})


def _of_not_knowing(card: UnitCard) -> NoticePriority:
    """Return how urgent a hold is that came of silence: a vehicle is out of coverage as a matter of course.

    There it presses once its food may have warmed without power; in a camp silence is no habit.
    """
    heard_ms, risk = card.observed_at, card.runout.food_at_risk
    keeps = None if risk is None else risk.holdover_hours
    doubtful = _was_doubtful(card) or _OUTLASTED in card.standing_why.casefold()
    if card.site_kind not in _MOBILE or heard_ms is None or keeps is None or doubtful:
        return "medium"
    keeps_ms = min(UNKNOWN_UP_TO_MS, round(keeps.p10 * HOUR_MS))
    return priority_of("not_known", heard_ms + keeps_ms - card.as_of)


def _still_warm(card: UnitCard, emptied_ms: int) -> Told | None:
    """Return that a cabinet whose food went is warm; said to be empty there is nothing to ask anybody for."""
    if card.state == "empty":
        return None
    cause = "still warm since its food went, and none was written down since"
    said = Said("hold", "food_undecided", "say_empty", "cook", emptied_ms, cause)
    return told_of(card, said).model_copy(update={"priority": "medium"})


def is_silent(card: UnitCard, now_ms: int) -> bool:
    """Return whether nothing was heard of a unit for longer than it usually takes."""
    if card.observed_at is None:
        return True
    after_ms = max(SILENT_AFTER_MS, SILENT_INTERVALS * card.interval_s * SECOND_MS)
    return now_ms - card.observed_at > after_ms


def _silence(card: UnitCard, look: Look) -> Told | None:
    """Return that a unit is silent; while older readings are on their way nothing good is known either."""
    task: NoticeTask = "look_and_probe"
    if is_silent(card, look.now_ms):
        since_ms = card.as_of if card.observed_at is None else card.observed_at
        cause = "nothing is heard of it"
    elif card.backlog_expected and card.standing is Verdict.NO_DATA:
        since_ms = card.as_of if card.standing_since is None else card.standing_since
        task, cause = "wait_and_probe", "it is heard again, and older readings are on their way"
    else:
        return None
    presses_ms = None if _was_doubtful(card) else since_ms + UNKNOWN_UP_TO_MS
    said = Said("silence", "not_known", task, who_is_there(card), since_ms, cause, presses_ms=presses_ms)
    return told_of(card, said, look.banks.get(card.unit))


def _was_doubtful(card: UnitCard) -> bool:
    """Return whether a unit was warm, stopped or never heard when it was last heard."""
    air_c = card.latest.get("cabinet_c")
    return card.cut_out_now or not isinstance(air_c, float) or air_c > card.limit_c


def _cut_out(card: UnitCard, look: Look) -> Told | None:
    if not card.cut_out_now or is_silent(card, look.now_ms):
        return None
    newest = card.cutouts[0] if card.cutouts else None
    cause = "unknown" if newest is None else newest.cause
    feeds = cause in FLAT or cause == "unknown"
    said = Said(
        "cut_out",
        "food_warms",
        "save_food" if feeds else "find_cause",
        who_is_there(card) if feeds else "workshop",
        card.as_of if newest is None else newest.start,
        "the compressor stopped for want of voltage" if newest is None else newest.why,
        act_ms=_risk_ms(card),
        tail=POWER if feeds else f"cut_out:{cause}",
    )
    return told_of(card, said, look.banks.get(card.unit) if feeds else None)


def _risk_ms(card: UnitCard) -> int | None:
    risk = card.runout.food_at_risk
    return None if risk is None else risk.from_p10


def _at_risk(card: UnitCard, look: Look) -> Told | None:
    risk_ms = _risk_ms(card)
    told = look.is_told(f"unit:{card.unit}:food_at_risk")
    if card.unit in look.emptied:
        return None  # nothing is in it
    if risk_ms is None or risk_ms - look.now_ms > (RISK_BEYOND_MS if told else RISK_WITHIN_MS):
        return None
    limit_c = card.limit_c if card.runout.food_at_risk is None else card.runout.food_at_risk.limit_c
    cause = f"food may pass {limit_c:.1f} °C"
    said = Said(
        "food_at_risk", "food_warms", "save_food", who_is_there(card), look.now_ms, cause, act_ms=risk_ms
    )
    return told_of(card, said, look.banks.get(card.unit))


def _doubt(card: UnitCard, look: Look) -> Told | None:
    """Return that a sensor is not to be trusted, or that nothing is known although readings come."""
    if is_silent(card, look.now_ms):
        return None
    flags = [flag for flag in card.sensors if flag.end is None]
    unknown = card.standing is Verdict.NO_DATA and not card.backlog_expected
    if not flags and not unknown:
        return None
    since_ms = min((flag.start for flag in flags), default=look.now_ms)
    words = ", ".join(sorted({f"{flag.channel} {flag.flag.replace('_', ' ')}" for flag in flags}))
    cause = words or card.standing_why
    consequence: Consequence = "not_known" if unknown else "wears"
    said = Said("sensor_doubt", consequence, "check_sensor", "workshop", since_ms, cause)
    if unknown:
        known_ms = since_ms if card.standing_since is None else card.standing_since
        said = replace(said, presses_ms=known_ms + UNKNOWN_UP_TO_MS)
    return told_of(card, said)


def _service(card: UnitCard) -> list[Told]:
    """Return what is worth a journey to the workshop; the rest waits on the list of what is due."""
    return [
        told_of(
            card,
            replace(
                Said("service_due", "wears", "plan_work", "workshop", finding.since, finding.finding),
                act_ms=finding.due,
                tail=f"service:{finding.finding}",
            ),
        )
        for finding in card.service
        if finding.call_out
    ]
