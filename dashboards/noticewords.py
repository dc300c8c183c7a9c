"""Notices in words: what it is, what comes of it, by when, what to do and who; and what became of it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboards import text
from dashboards.language import FoodTable, Table, _, food
from dashboards.rolewords import signer_words
from services.domain import (
    DECIDED,
    FOUND_LATE,
    Consequence,
    Notice,
    NoticeKind,
    NoticeLine,
    NoticeLineKind,
    NoticePriority,
    NoticeRole,
    NoticeState,
    NoticeTask,
)
from services.domain.noticerates import OWN_PER_HOUR, Measure, NoticeRates, Reached, Target
from services.timebase import MINUTE_MS

KINDS: FoodTable[NoticeKind] = FoodTable(
    {
        "hold": "Food on hold",
        "food_at_risk": "Food at risk",
        "cut_out": "Stopped, no power",
        "battery_short": "Battery will not last",
        "silence": "Silent: not known",
        "sensor_doubt": "Sensor in doubt",
        "service_due": "Service due",
        "system_trouble": "This box needs help",
    }
)
STATES: Table[NoticeState] = Table(
    {
        "new": "Nobody sees to it yet",
        "acknowledged": "Taken",
        "returned": "Passed, nobody has seen it",
        "shelved": "Put aside for a time",
        "out_of_service": "Out of service",
    }
)
PRIORITIES: Table[NoticePriority] = Table({"high": "Act now", "medium": "Act soon", "low": "Plan it"})
PRIORITY_MARKS: Mapping[NoticePriority, str] = {"high": "hold", "medium": "watch", "low": "resting"}
"""A shape beside the word, so that nothing hangs on a colour."""
CONSEQUENCES: FoodTable[Consequence] = FoodTable(
    {
        "food_undecided": "Nothing in it may be served until somebody has decided.",
        "food_warms": "Food in it passes its limit if nobody acts.",
        "unit_stops": "It stops cooling, and food warms from then on.",
        "engine_fails": "The engine may not start, and nobody drives.",
        "not_known": "Nobody can tell whether food in it is cold.",
        "wears": "It goes on for now, and gets worse.",
        "nothing_told": "Nothing new is known of any cabinet.",
    }
)
TASKS: FoodTable[NoticeTask] = FoodTable(
    {
        "probe_and_decide": "Probe the warmest pack, decide what becomes of the food, and close the hold.",
        "discard": "Tape it off, discard it where nobody eats it, then close the hold.",
        "quarantine": "Put it in quarantine, marked, and ask the pharmacist with the times.",
        "say_empty": "Put nothing in it. Say that it is empty; if it is not, probe and close the hold.",
        "save_food": (
            "Keep the lid shut. Charge it, an engine or generator in the open air only (exhaust kills), "
            "or move the food to a cold cabinet."
        ),
        "look_and_probe": "Look: does it run, is it plugged in, is the lid shut? Probe the food.",
        "wait_and_probe": "Older readings are on their way. Probe the food if it is needed before that.",
        "find_cause": "Keep the lid shut, and have the cable, the fuse and the unit looked at.",
        "charge": "Charge it before that time, an engine or generator in the open air only (exhaust kills).",
        "check_sensor": "Probe by hand, and hold the sensor in melting ice.",
        "plan_work": "Open a job, and plan it before the time it names.",
        "see_box": "See what the top of this page says of the box, or ask who looks after it.",
        "see_list": "Go through the list below, the most urgent first.",
    }
)
ROLES: Table[NoticeRole] = Table(
    {
        "manager": "manager",
        "cook": "cook",
        "workshop": "workshop",
        "administrator": "administrator",
    }
)
LINES: Table[NoticeLineKind] = Table(
    {
        "raised": "It was told.",
        "again": "It came back.",
        "worse": "It got worse.",
        "recurs": "It keeps coming back: told once, until it is quiet for an hour.",
        "still": "It goes on as it was decided; told again after 12 hours at the earliest.",
        "returned": "It passed.",
        "folded": "It became part of another notice, which has the same cause.",
        "shelf_ended": "The time it was put aside for is over.",
        "acknowledged": "Taken.",
        "shelved": "Put aside for a time.",
        "out_of_service": "Taken out of service.",
        "back": "Put back.",
    }
)
_CAUSES: Table[str] = Table(
    {
        "nothing is heard of it": "Nothing is heard of it.",
        "it is heard again, and older readings are on their way": (
            "It is heard again, and older readings are on their way."
        ),
        "nothing is heard of this place": "Nothing is heard of this place.",
        "power is out at this place": "Power is out at this place.",
        "the engine may not start": "The engine may not start.",
        "still warm since its food went, and none was written down since": (
            "Still warm since its food went, and none was written down since."
        ),
    }
)
_WHYS: Table[str] = Table(
    {
        DECIDED: "A named person decided.",
        "no unit of it is in use, or it is in a test: not told of, by design": (
            "No unit of it is in use, or it is in a test: not told of, by design."
        ),
    }
)
MEASURES: Table[Measure] = Table(
    {
        "per_hour": "Notices an hour, to whom most come",
        "per_day": "Notices a day, to whom most come",
        "busiest_hour": "Notices in the busiest hour",
        "flood_share": "Time with more than ten in ten minutes",
        "high": "Share of: act now",
        "medium": "Share of: act soon",
        "low": "Share of: plan it",
    }
)


@dataclass(frozen=True, slots=True)
class NoticeView:
    """One notice as a page shows it."""

    id: int
    kind: str
    mark: str
    priority: str
    state: str
    about: str
    place: str
    site_id: str
    link: str
    since: str
    cause: str
    consequence: str
    by: str
    task: str
    who: str
    marks: tuple[str, ...]
    """What else there is to know: found in late data, keeps coming back, counted in a flood."""
    new: bool
    passed: bool
    may_aside: bool


@dataclass(frozen=True, slots=True)
class Names:
    """What the house calls its things."""

    units: Mapping[str, str]
    sites: Mapping[str, str]


def view(notice: Notice, names: Names, *, zone: tzinfo, now_ms: int) -> NoticeView:
    """Return a notice in words."""
    return NoticeView(
        id=notice.id,
        kind=KINDS[notice.kind],
        mark=PRIORITY_MARKS[notice.priority],
        priority=PRIORITIES[notice.priority],
        state=_state_words(notice),
        about=about_words(notice, names),
        place=names.sites.get(notice.site or "", ""),
        site_id=notice.site or "",
        link=f"/units/{notice.unit}" if notice.unit in names.units else "",
        since=text.clock(notice.since, zone, now_ms),
        cause=cause_words(notice.cause),
        consequence=CONSEQUENCES[notice.consequence],
        by=by_words(notice, zone, now_ms),
        task=TASKS[notice.what_to_do],
        who=ROLES[notice.who],
        marks=tuple(_marks(notice, zone, now_ms)),
        new=notice.state in {"new", "returned"} and notice.ended is None,
        passed=notice.state == "returned",
        may_aside=notice.ended is None and notice.active and not notice.latched,
    )


def _state_words(notice: Notice) -> str:
    if notice.ended is not None:
        return _("Over")
    if notice.state == "acknowledged" and notice.taken_by is not None:
        return _("%(who)s sees to it", who=notice.taken_by)
    return STATES[notice.state]


def about_words(notice: Notice, names: Names) -> str:
    """Return what a notice is about: the unit, or every unit that has the cause in common."""
    units = ", ".join(names.units.get(unit, unit) for unit in notice.units)
    if notice.unit is not None:
        return names.units.get(notice.unit, notice.unit)
    if notice.kind == "system_trouble":
        return _("the whole house")
    if notice.bank is not None:
        return _("%(bank)s: %(units)s", bank=notice.bank, units=units)
    return units


def cause_words(cause: str) -> str:
    """Return what was seen as a sentence; what a service found in its own words."""
    return _CAUSES.get(cause) or text.sentence(cause.removesuffix(FOUND_LATE))


def by_words(notice: Notice, zone: tzinfo, now_ms: int) -> str:
    """Return by when somebody must have acted, and how long that is; empty where nothing sets a time."""
    if notice.act_by is None:
        return ""
    left_min = (notice.act_by - now_ms) / MINUTE_MS
    at = text.clock(notice.act_by, zone, now_ms)
    if left_min <= 0:
        return _("was to be done by %(time)s", time=at)
    return _("by %(time)s, in %(left)s", time=at, left=text.minutes(math.floor(left_min)))


def _marks(notice: Notice, zone: tzinfo, now_ms: int) -> list[str]:
    found = []
    if notice.late:
        found.append(food("Found in late data: it happened before anybody could hear of it."))
    if notice.recurs:
        found.append(_("It keeps coming back."))
    if notice.kept_back:
        found.append(_("Came in a flood: counted, not announced."))
    if notice.state == "shelved" and notice.shelved_until is not None:
        found.append(_("Aside until %(time)s.", time=text.clock(notice.shelved_until, zone, now_ms)))
    return found


def line_words(line: NoticeLine, zone: tzinfo) -> tuple[str, str, str]:
    """Return when a line was written, by whom, and what it says."""
    at = text.stamp(line.at, zone)
    until = "" if line.until is None else _("Until %(time)s.", time=text.stamp(line.until, zone))
    told = line.why and line.kind != "folded"
    why = (_WHYS.get(line.why) or text.sentence(line.why)) if told else ""
    who = signer_words(line.who, line.signed) if line.who else _("from the readings")
    if line.said is not None:
        who = _("%(who)s, said at %(time)s on a phone", who=who, time=text.stamp(line.said, zone))
    return at, who, " ".join(part for part in (LINES[line.kind], until, why) if part)


def whom_words(reached: Reached, names: Names) -> str:
    """Return whom notices reached: a role, of a cook with the place."""
    role = ROLES[reached.who]
    if reached.site is None:
        return role
    return _("%(role)s, %(place)s", role=role, place=names.sites.get(reached.site, reached.site))


def measured(rates: NoticeRates) -> list[tuple[str, str, str, str]]:
    """Return what was measured beside what a standard calls bearable: measure, found, target, source."""
    found = [(MEASURES[t.measure], _found(rates, t), _most(t), t.source) for t in rates.targets]
    own = _("at most %(most)s", most=text.number(OWN_PER_HOUR))
    hourly = _found(rates, rates.targets[0])
    return [*found, (MEASURES["per_hour"], hourly, own, _("our own, tighter (judgement)"))]


def _most(target: Target) -> str:
    if target.measure in {"high", "medium", "low"}:
        return _("about %(most)s", most=text.share(target.most))
    most = text.share(target.most) if target.measure == "flood_share" else text.number(target.most, 0)
    return _("at most %(most)s", most=most)


def _found(rates: NoticeRates, target: Target) -> str:
    match target.measure:
        case "flood_share":
            return text.share(rates.flood_share)
        case "high" | "medium" | "low":
            return text.share(rates.shares[target.measure]) if rates.shares else _("nothing was told")
        case "busiest_hour":
            return text.number(float(max((each.busiest_hour for each in rates.reached), default=0)), 0)
        case "per_hour":
            return text.number(max((each.per_hour for each in rates.reached), default=0.0), 2)
        case "per_day":
            return text.number(max((each.per_day for each in rates.reached), default=0.0))


def counted(notices: Sequence[Notice]) -> int:
    """Return how many notices nobody has taken."""
    return sum(notice.state == "new" for notice in notices)
