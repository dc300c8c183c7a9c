"""Which unit the workshop takes first: what cannot wait for the next trip, and what can."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dashboards import text
from dashboards.language import _, dynamic, ngettext
from dashboards.natural import natural
from services.domain import Finding, Job, UnitCard, WorkKind
from services.domain.planned import PlannedDue
from services.timebase import DAY_MS

SOON_MS = 2 * DAY_MS
"""What is due within two days does not wait for the trip after the next (judgement)."""
WEEK_MS = 7 * DAY_MS
_MOST_ON_CARD = 5

_BY_FINDING: Mapping[str, WorkKind] = {
    "supply path resistance high": "wiring",
    "battery falls fast": "battery",
    "absorption voltage within minutes": "battery",
    "bank of a stored unit runs down": "battery",
    "compressor hardly ever stops": "cooling",
    "cabinet never reaches its set point": "cooling",
    "over-temperature stops": "cooling",
    "cooling weaker while the current falls": "cooling",
    "cooling weaker while the current rises": "cooling",
    "cooling weaker than it was": "cooling",
    "cooling weaker and the evaporator further below the cabinet": "cooling",
    "warms faster than it did while it stands": "cooling",
    "works harder at noon than it did, for the same air": "cooling",
    "draws more than it did while it runs": "cooling",
    "stops warmer than it did": "sensor",
    "stops colder than it did": "sensor",
    "more voltage lost while it runs": "wiring",
    "more voltage lost while it runs, and less left before dawn": "battery",
    "less voltage left before dawn than there was": "battery",
}
_BY_CAUSE: Mapping[str, WorkKind] = {
    "battery_flat": "battery",
    "battery_weak": "battery",
    "charging": "battery",
    "wiring": "wiring",
    "limits": "wiring",
    "supply_interrupted": "wiring",
    "unit": "cooling",
    "unknown": "other",
}
_REPEATED = "repeated cut-outs"
"""Its kind of work is that of the cut-outs themselves."""
_GIVES_WAY = frozenset(name for name, work in _BY_FINDING.items() if work == "cooling") | {
    "battery falls fast"
}
"""Findings of a unit that may not get through a trip (judgement)."""


@dataclass(frozen=True, slots=True)
class Due:
    """A unit on the due list."""

    card: UnitCard
    works: frozenset[WorkKind]
    reasons: tuple[str, ...]
    """Why it cannot wait; empty where it can."""
    due_ms: int | None
    """The earliest day one of its findings, jobs or rounds of service names."""
    jobs: tuple[Job, ...] = ()
    planned: tuple[PlannedDue, ...] = ()
    """Service that comes round and is due before it leaves, or within two days."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What people asked for beside what readings show."""

    jobs: Mapping[str, Sequence[Job]]
    """Open ones, by unit."""
    planned: Mapping[str, Sequence[PlannedDue]]
    """By unit."""
    leaves_ms: Mapping[str, int]
    """When a place leaves next, by site."""


NOTHING_ASKED = Asked({}, {}, {})


def work_of(card: UnitCard, finding: Finding) -> WorkKind:
    """Return the kind of work a finding asks for."""
    if finding.finding == _REPEATED:
        return _BY_CAUSE[card.cutouts[0].cause] if card.cutouts else "other"
    return _BY_FINDING.get(finding.finding, "other")


def date_of(finding: Finding) -> int | None:
    """Return the day a finding names: when it is due, or from when on food may be at risk; None without."""
    return min((d for d in (finding.due, finding.wait_until_early) if d is not None), default=None)


def works_of(
    card: UnitCard, jobs: Sequence[Job] = (), planned: Sequence[PlannedDue] = ()
) -> frozenset[WorkKind]:
    """Return the kinds of work a unit asks for; none where there is nothing to do."""
    found = {work_of(card, finding) for finding in card.service if finding.finding != _REPEATED}
    found |= {_BY_CAUSE[cutout.cause] for cutout in card.cutouts}
    if any(flag.end is None for flag in card.sensors):
        found.add("sensor")
    if not found and (card.service or card.cut_out_now):
        found.add("other")
    return frozenset(found | {job.work for job in jobs} | {each.work for each in planned})


def due_of(card: UnitCard, now_ms: int, asked: Asked = NOTHING_ASKED) -> Due | None:
    """Return a unit's place on the due list, None where nothing is to be done."""
    jobs = tuple(asked.jobs.get(card.unit, ()))
    leaves_ms = asked.leaves_ms.get(card.site or "")
    until_ms = now_ms + SOON_MS if leaves_ms is None else max(now_ms + SOON_MS, leaves_ms)
    planned = tuple(p for p in asked.planned.get(card.unit, ()) if p.due is not None and p.due <= until_ms)
    works = works_of(card, jobs, planned)
    if not works:
        return None
    due_ms = min((d for d in map(date_of, card.service) if d is not None), default=None)
    reasons = [*_reasons(card, due_ms, now_ms), *_asked_for(card, jobs, planned, leaves_ms, now_ms)]
    dates = [due_ms, *(job.cold_by for job in jobs), *(p.due for p in planned)]
    first_ms = min((each for each in dates if each is not None), default=None)
    return Due(card, works, tuple(reasons), first_ms, jobs, planned)


def _asked_for(
    card: UnitCard,
    jobs: Sequence[Job],
    planned: Sequence[PlannedDue],
    leaves_ms: int | None,
    now_ms: int,
) -> Iterable[str]:
    zone = text.zone_of(card)
    for job in jobs:
        if job.cold_by is not None:
            at = text.clock(job.cold_by, zone, now_ms)
            yield _("job %(number)s: cold by %(time)s", number=job.number, time=at)
    if leaves_ms is None:
        return
    leaves = text.clock(leaves_ms, zone, now_ms)
    if planned:
        yield _("service due before it leaves %(time)s", time=leaves)
    if any(job.cold_by is None for job in jobs):
        yield _("an open job before it leaves %(time)s", time=leaves)


def _reasons(card: UnitCard, due_ms: int | None, now_ms: int) -> Iterable[str]:
    if due_ms is not None and due_ms <= now_ms + SOON_MS:
        yield _("due %(time)s", time=text.clock(due_ms, text.zone_of(card), now_ms))
    if card.state != "in_use":
        return
    if card.cut_out_now:
        yield _("stands still for want of power")
    recent = sum(cutout.start >= now_ms - WEEK_MS for cutout in card.cutouts)
    if recent >= _MOST_ON_CARD:
        yield _("cut out five times and more in seven days")
    elif recent:
        yield ngettext("cut out %(num)s time in seven days", "cut out %(num)s times in seven days", recent)
    for finding in card.service:
        if finding.call_out and finding.finding in _GIVES_WAY:
            yield dynamic(text.plain(finding.finding))
    if any(flag.end is None and flag.channel in {"cabinet", "cabinet_c"} for flag in card.sensors):
        yield _("its cabinet sensor is not to be trusted")


def order(due: Due) -> tuple[object, ...]:
    """Return the key that puts the most urgent unit first."""
    card = due.card
    return (
        not due.reasons,
        not card.cut_out_now,
        float("inf") if due.due_ms is None else due.due_ms,
        -len(due.reasons),
        -len(card.cutouts),
        -len(card.service),
        natural(card.site_name or ""),
        natural(card.name),
    )


def due_list(cards: Sequence[UnitCard], now_ms: int, asked: Asked = NOTHING_ASKED) -> list[Due]:
    """Return the units with something to do, the most urgent first."""
    return sorted((due for card in cards if (due := due_of(card, now_ms, asked)) is not None), key=order)
