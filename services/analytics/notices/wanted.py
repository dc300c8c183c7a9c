"""What there is to tell now: every trouble of every unit, before troubles of one cause are put together."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from services.analytics.notices.kinds import (
    DAWN_H,
    EVENING_H,
    FLOOD_KEY,
    LASTS,
    LASTS_AGAIN,
    LONG_H,
    RISK_BEYOND_MS,
    RISK_WITHIN_MS,
    SHORT_H,
    SILENT_AFTER_MS,
    SILENT_INTERVALS,
    SOON_BEYOND_MS,
    SOON_MS,
    UNKNOWN_UP_TO_MS,
    priority_of,
)
from services.domain import (
    FOUND_LATE,
    Consequence,
    Fleet,
    Notice,
    NoticeKind,
    NoticeRole,
    NoticeTask,
    Told,
    UnitCard,
    Verdict,
)
from services.timebase import HOUR_MS, SECOND_MS, datetime_of

FLAT = frozenset({"battery_flat", "battery_weak", "charging", "supply_interrupted"})
"""Causes of a cut-out that lie in what feeds the unit, not in the unit or its own cable."""
POWER = "power"
"""End of a key: a battery that runs down, or has run down, is one cause."""


_UNKNOWN_WHYS = ("not known whether ", "nothing heard for ")
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


@dataclass(frozen=True, slots=True)
class Look:
    """The moment of a look at the cards, and what was told before it, for dead bands."""

    now_ms: int
    standing: Collection[str]
    """Keys of causes that are told already."""
    banks: Mapping[str, str | None]

    def is_told(self, key: str) -> bool:
        """Return whether a cause is told already."""
        return key in self.standing


def bank_of(fleet: Fleet) -> dict[str, str | None]:
    """Return the bank each unit runs on."""
    return {unit.id: unit.supply.bank for unit in fleet.units}


def troubles(
    cards: Iterable[UnitCard],
    house: Sequence[HouseTrouble],
    fleet: Fleet,
    *,
    now_ms: int,
    told: Collection[str],
) -> list[Told]:
    """Return every trouble there is, one for each unit and kind."""
    look = Look(now_ms, told, bank_of(fleet))
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
    """Return the troubles of one unit; of one that is not in use only what stands of its food."""
    found = [_hold(card)] if card.standing.rank >= Verdict.HOLD.rank else []
    if card.state != "in_use":
        return found
    for each in (_silence, _cut_out, _battery, _at_risk, _doubt):
        one = each(card, look)
        if one is not None:
            found.append(one)
    return found + _service(card)


@dataclass(frozen=True, slots=True)
class _Said:
    """What is told of a unit besides the unit."""

    kind: NoticeKind
    consequence: Consequence
    task: NoticeTask
    who: NoticeRole
    since_ms: int
    cause: str
    act_ms: int | None = None
    presses_ms: int | None = None
    """From when on not knowing presses, where nothing sets a time to act by."""
    late: bool = False
    tail: str | None = None
    """The end of its key where that is not its kind."""


def _told(card: UnitCard, said: _Said, bank: str | None = None) -> Told:
    by_ms = said.presses_ms if said.act_ms is None else said.act_ms
    left_ms = None if by_ms is None else by_ms - card.as_of
    return Told(
        cause_key=f"unit:{card.unit}:{said.tail or said.kind}",
        kind=said.kind,
        priority=priority_of(said.consequence, left_ms),
        unit=card.unit,
        site=card.site,
        bank=bank,
        since=said.since_ms,
        cause=said.cause,
        consequence=said.consequence,
        act_by=said.act_ms,
        what_to_do=said.task,
        who=said.who,
        units=(card.unit,),
        late=said.late,
    )


def _there(card: UnitCard) -> NoticeRole:
    """Return who is where a cabinet stands: a camp has a cook, a vehicle is somewhere else."""
    return "cook" if card.site_kind in {"camp", "lodge"} else "manager"


def _hold(card: UnitCard) -> Told:
    discard = card.standing is Verdict.DISCARD_ADVISED
    medicine = bool(card.classes) and all(name == "medicine" for name in card.classes)
    task: NoticeTask = "quarantine" if medicine else "discard" if discard else "probe_and_decide"
    since_ms = card.as_of if card.standing_since is None else card.standing_since
    said = _Said(
        "hold",
        "food_undecided",
        task,
        "manager" if medicine else "cook",
        since_ms,
        card.standing_why,
        late=FOUND_LATE in card.standing_why,
    )
    told = _told(card, said)
    if discard or not is_unknown(card.standing_why):
        return told
    return told.model_copy(update={"priority": "medium"})  # nothing says that food warms while it waits


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
    said = _Said("silence", "not_known", task, _there(card), since_ms, cause, presses_ms=presses_ms)
    return _told(card, said, look.banks.get(card.unit))


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
    said = _Said(
        "cut_out",
        "food_warms",
        "save_food" if feeds else "find_cause",
        _there(card) if feeds else "workshop",
        card.as_of if newest is None else newest.start,
        "the compressor stopped for want of voltage" if newest is None else newest.why,
        act_ms=_risk_ms(card),
        tail=POWER if feeds else f"cut_out:{cause}",
    )
    return _told(card, said, look.banks.get(card.unit) if feeds else None)


def _risk_ms(card: UnitCard) -> int | None:
    risk = card.runout.food_at_risk
    return None if risk is None else risk.from_p10


def _battery(card: UnitCard, look: Look) -> Told | None:
    """Return that a battery stops its unit within hours, or, once it is evening, before dawn."""
    run = card.runout
    if run.reason != "discharging" or card.cut_out_now:
        return None
    bank = look.banks.get(card.unit)
    told = any(look.is_told(f"{place}:{POWER}") for place in (f"unit:{card.unit}", f"bank:{bank}"))
    stops_ms = None if run.hours_p10 is None else card.as_of + round(run.hours_p10 * HOUR_MS)
    engine_ms = run.engine_may_not_start
    soon_ms = look.now_ms + (SOON_BEYOND_MS if told else SOON_MS)
    consequence: Consequence = "unit_stops"
    cause = _short_words(card, told=told) if _is_night(card, look.now_ms) else None
    if cause is None and stops_ms is not None and stops_ms <= soon_ms:
        cause = _early_words(run.hours_p10)
    if engine_ms is not None and (cause is not None or engine_ms <= soon_ms):
        consequence, stops_ms, cause = "engine_fails", engine_ms, cause or "the engine may not start"
    if cause is None:
        return None
    said = _Said(
        "battery_short", consequence, "charge", "manager", look.now_ms, cause, act_ms=stops_ms, tail=POWER
    )
    return _told(card, said, bank)


def _is_night(card: UnitCard, now_ms: int) -> bool:
    """Return whether it is evening or night where a unit stands."""
    hour = datetime_of(now_ms).astimezone(ZoneInfo(card.timezone)).hour
    return hour >= EVENING_H or hour < DAWN_H


def _short_words(card: UnitCard, *, told: bool) -> str | None:
    """Return in words that a battery does not last the night, None where it does."""
    run = card.runout
    chance = next((last.chance for last in run.lasts_until if last.name == "dawn"), None)
    if chance is not None:
        limit = LASTS_AGAIN if told else LASTS
        return f"lasts until dawn with {chance:.0%} chance" if chance < limit else None
    if run.hours_p10 is None or run.hours_p10 >= (LONG_H if told else SHORT_H):
        return None
    return _early_words(run.hours_p10)


def _early_words(hours_p10: float | None) -> str:
    return f"lasts {hours_p10:.1f} h at the early end"


def _at_risk(card: UnitCard, look: Look) -> Told | None:
    risk_ms = _risk_ms(card)
    told = look.is_told(f"unit:{card.unit}:food_at_risk")
    if risk_ms is None or risk_ms - look.now_ms > (RISK_BEYOND_MS if told else RISK_WITHIN_MS):
        return None
    limit_c = card.limit_c if card.runout.food_at_risk is None else card.runout.food_at_risk.limit_c
    cause = f"food may pass {limit_c:.1f} °C"
    said = _Said("food_at_risk", "food_warms", "save_food", _there(card), look.now_ms, cause, act_ms=risk_ms)
    return _told(card, said, look.banks.get(card.unit))


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
    said = _Said("sensor_doubt", consequence, "check_sensor", "workshop", since_ms, cause)
    if unknown:
        known_ms = since_ms if card.standing_since is None else card.standing_since
        said = replace(said, presses_ms=known_ms + UNKNOWN_UP_TO_MS)
    return _told(card, said)


def _service(card: UnitCard) -> list[Told]:
    """Return what is worth a journey to the workshop; the rest waits on the list of what is due."""
    return [
        _told(
            card,
            replace(
                _Said("service_due", "wears", "plan_work", "workshop", finding.since, finding.finding),
                act_ms=finding.due,
                tail=f"service:{finding.finding}",
            ),
        )
        for finding in card.service
        if finding.call_out
    ]
