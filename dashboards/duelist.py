"""What is due on which cabinet, one list for the page, the calendar and the file: jobs, findings, service."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, tzinfo
from typing import Literal, TypedDict

from dashboards import text
from dashboards.jobwords import cold_by_words, job_title, parts_words
from dashboards.language import Table, _, dynamic
from dashboards.natural import natural
from dashboards.pages.workshop_order import date_of, work_of
from services.api.desk import Desk
from services.domain import Departure, Fleet, Job, Part, Site, Unit, UnitCard, WorkKind, added_up
from services.domain.planned import Interval, PlannedDue
from services.timebase import DAY_MS

DueKind = Literal["job", "finding", "service"]
KINDS: Table[DueKind] = Table({"job": "job", "finding": "finding", "service": "planned service"})
RULES: Table[str] = Table(
    {
        "Condenser cleaning": "Condenser cleaning",
        "Gasket check": "Gasket check",
        "Battery test": "Battery test",
        "Check in melting ice": "Check in melting ice",
        "Cooling check": "Cooling check",
    }
)
"""Names of the built-in rules; those of a fleet file stay as they were written."""
_FAR = float("inf")


@dataclass(frozen=True, slots=True)
class DueItem:
    """One thing to do on one cabinet."""

    key: str
    """The same as long as it is the same thing: entries of a calendar are found by it."""
    kind: DueKind
    unit: str
    name: str
    site: str | None
    place: str
    zone: tzinfo
    work: WorkKind
    what: str
    why: str
    due_ms: int | None
    no_date: str
    """Why there is no date; empty where there is one."""
    parts: tuple[Part, ...] = ()
    job: int | None = None
    unknown: bool = False
    """Whether nobody ever recorded this work: it may be due already."""
    pressing: bool = False
    """Whether it comes before the next departure though no day is named."""

    @property
    def day(self) -> date | None:
        """The day it is due, by the clock of its place."""
        return None if self.due_ms is None else text.local(self.due_ms, self.zone).date()


@dataclass(frozen=True, slots=True)
class PlaceDue:
    """One place: when it leaves next, and what has to be done before that, in order."""

    site: Site | None
    departure: Departure | None
    before: tuple[DueItem, ...]
    """To be done before it leaves, or now where nobody named a departure."""
    later: tuple[DueItem, ...]
    unrecorded: tuple[DueItem, ...]
    carry: tuple[Part, ...]
    """Parts for everything that comes before."""


def due_items(desk: Desk) -> list[DueItem]:
    """Return everything due that is seen from a desk: what has a date first, the earliest leading."""
    fleet = desk.fleet()
    names = _Names(fleet)
    jobs = desk.jobs(state="open")
    items = [names.job(job) for job in jobs if job.unit in names.units]
    busy = {(job.unit, job.work) for job in jobs}
    for card in desk.cards():
        items += names.findings(card, busy)
    items += [names.service(each) for each in desk.planned() if (each.unit, each.work) not in busy]
    return sorted(items, key=_order)


def by_place(desk: Desk, items: Sequence[DueItem]) -> list[PlaceDue]:
    """Return places with something to do or a departure ahead: those that leave first lead."""
    now_ms, sites = desk.now_ms(), {site.id: site for site in desk.fleet().sites}
    leaving = {departure.site: departure for departure in desk.departures()}
    keys: set[str | None] = {item.site for item in items} | set(leaving)
    places = [
        _place(sites.get(key or ""), leaving.get(key or ""), [i for i in items if i.site == key], now_ms)
        for key in keys
    ]
    return sorted(
        places,
        key=lambda p: (
            _FAR if p.departure is None else p.departure.leaves,
            natural("" if p.site is None else p.site.name),
        ),
    )


def _place(site: Site | None, departure: Departure | None, items: Sequence[DueItem], now_ms: int) -> PlaceDue:
    until_ms = now_ms if departure is None else departure.leaves
    before = [item for item in items if (item.pressing if item.due_ms is None else item.due_ms <= until_ms)]
    chosen = {item.key for item in before}
    return PlaceDue(
        site=site,
        departure=departure,
        before=tuple(before),
        later=tuple(i for i in items if i.key not in chosen and not i.unknown),
        unrecorded=tuple(i for i in items if i.unknown),
        carry=added_up(part for item in before for part in item.parts),
    )


def _order(item: DueItem) -> tuple[object, ...]:
    return (
        _FAR if item.due_ms is None else item.due_ms,
        item.unknown,
        ("job", "finding", "service").index(item.kind),
        natural(item.place),
        natural(item.name),
        natural(item.what),
    )


class _Where(TypedDict):
    unit: str
    name: str
    site: str | None
    place: str
    zone: tzinfo


class _Names:
    """Turns jobs, findings and planned service into items, with the names of cabinets and places."""

    def __init__(self, fleet: Fleet) -> None:
        self.units: Mapping[str, Unit] = {unit.id: unit for unit in fleet.units}
        self._sites = {site.id: site for site in fleet.sites}

    def _where(self, unit: str) -> _Where:
        described = self.units[unit]
        site = self._sites.get(described.site or "")
        return {
            "unit": unit,
            "name": described.name or unit,
            "site": None if site is None else site.id,
            "place": _("no place given") if site is None else site.name,
            "zone": UTC if site is None else site.zone,
        }

    def job(self, job: Job) -> DueItem:
        """Return an open job; it is due when the cabinet must be cold again."""
        where = self._where(job.unit)
        words = cold_by_words(job, where["zone"])
        return DueItem(
            **where,
            key=f"job-{job.number}-{job.opened}",
            kind="job",
            work=job.work,
            what=job_title(job),
            why=f"{text.sentence(job.reason)} {text.sentence(words)}",
            due_ms=job.cold_by,
            no_date="" if job.cold_by is not None else words,
            parts=job.parts,
            job=job.number,
            pressing=True,
        )

    def findings(self, card: UnitCard, busy: set[tuple[str, WorkKind]]) -> Iterable[DueItem]:
        """Yield findings for which nobody has opened a job of that kind."""
        for found in card.service:
            work = work_of(card, found)
            if (card.unit, work) in busy or card.unit not in self.units:
                continue
            due_ms = date_of(found)
            reason = found.due_reason or found.wait_until_early_reason or "not worked out"
            yield DueItem(
                **self._where(card.unit),
                key=f"finding-{card.unit}-{found.finding.replace(' ', '-')}",
                kind="finding",
                work=work,
                what=text.sentence(text.plain(found.finding)).removesuffix("."),
                why=text.sentence(found.check),
                due_ms=due_ms,
                no_date="" if due_ms is not None else dynamic(text.plain(reason)),
                parts=tuple(Part(what=part) for part in found.parts),
                pressing=found.call_out,
            )

    def service(self, planned: PlannedDue) -> DueItem:
        """Return service that comes round."""
        return DueItem(
            **self._where(planned.unit),
            key=f"service-{planned.unit}-{planned.work}-{planned.rule.casefold().replace(' ', '-')}",
            kind="service",
            work=planned.work,
            what=RULES.get(planned.rule) or planned.rule,
            why=planned_words(planned),
            due_ms=planned.due,
            no_date=_no_date(planned),
            unknown=planned.last is None,
        )


def _no_date(planned: PlannedDue) -> str:
    if planned.due is not None:
        return ""
    return _("never recorded") if planned.last is None else _("not known")


def planned_words(planned: PlannedDue) -> str:
    """Return since when service counts, how much of its interval is used up, and what cannot be told."""
    if planned.last is None:
        return _("never recorded, nor the day the cabinet was put in: it may be due already")
    parts = [_since(planned)]
    if planned.by is not None and planned.used is not None and planned.every is not None:
        amounts = {"used": text.number(planned.used, 0), "every": text.number(planned.every, 0)}
        parts.append(_interval(planned.by, amounts))
    if planned.not_counted:
        parts.append(_("not counted: %(names)s", names="; ".join(map(dynamic, planned.not_counted))))
    if planned.source:
        parts.append(dynamic(planned.source))
    return "; ".join(parts)


def _since(planned: PlannedDue) -> str:
    told = {"day": "" if planned.last is None else text.stamp(planned.last, UTC)[:10]}
    if planned.last_from == "installed":
        return _("never recorded since it was put in %(day)s", **told)
    if planned.last_from == "check":
        return _("last check in melting ice %(day)s", **told)
    return _("last done %(day)s", **told)


def _interval(by: Interval, amounts: dict[str, str]) -> str:
    if by == "days":
        return _("%(used)s of %(every)s days", **amounts)
    if by == "run_hours":
        return _("about %(used)s of %(every)s run hours", **amounts)
    if by == "starts":
        return _("about %(used)s of %(every)s starts", **amounts)
    return _("about %(used)s of %(every)s hours in the dust", **amounts)


def carry_words(parts: Sequence[Part]) -> str:
    """Return what to take along to a place."""
    return parts_words(parts) or _("nothing is named")


LEAVING_WITHIN_MS = 7 * DAY_MS
"""How far ahead a departure is for a digest to tell what it needs (judgement)."""


def before_leaving(desk: Desk, sites: Collection[str]) -> list[str]:
    """Return what is to be done at places that leave soon, each in words, the first to leave leading."""
    found = []
    for place in by_place(desk, due_items(desk)):
        leaving = place.departure
        if place.site is None or place.site.id not in sites or leaving is None:
            continue
        if leaving.leaves - desk.now_ms() > LEAVING_WITHIN_MS:
            continue
        at = text.clock(leaving.leaves, place.site.zone, desk.now_ms())
        found += [
            _(
                "%(place)s leaves %(time)s; %(unit)s: %(what)s",
                place=item.place,
                time=at,
                unit=item.name,
                what=item.what,
            )
            for item in place.before
        ]
    return found
