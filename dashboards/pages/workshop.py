"""The workshop's due list: what cannot wait for the next trip, what can, and the numbers to plan by."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.benchwords import SURE, Fact, bench_facts, wait_words
from dashboards.duelist import RULES, planned_words
from dashboards.jobwords import WORKS, cold_by_words, job_title
from dashboards.language import _
from dashboards.natural import natural
from dashboards.pages.jobs import writes
from dashboards.pages.lively import live_of
from dashboards.pages.render import draw
from dashboards.pages.views import CardView, card_view, flag_words
from dashboards.pages.workshop_order import Asked, Due, due_list
from dashboards.powerwords import cutout_view, evidence_words
from services.api.desk import Desk
from services.api.routes import AtDesk
from services.domain import Finding, Job, UnitCard
from services.domain.planned import PlannedDue

router = APIRouter(include_in_schema=False)

_CUTOUTS_SHOWN = 2
KINDS = ("fridge", "freezer")
Choice = Annotated[str, Query(max_length=40)]


@dataclass(frozen=True, slots=True)
class FindingView:
    """One finding in words."""

    finding: str
    since: str
    due: str
    check: str
    could_be: str
    """What else goes with it; empty where nothing was weighed."""
    wait: str
    """Until when it can wait, or why nobody can tell; empty where it was not asked."""
    parts: str
    sure: str
    evidence: tuple[tuple[str, str, str], ...]
    """Quantity, what was found against the threshold, and where the threshold comes from."""


@dataclass(frozen=True, slots=True)
class JobView:
    """One unit as the workshop sees it."""

    card: CardView
    reasons: str
    works: str
    findings: tuple[FindingView, ...]
    cutouts: tuple[str, ...]
    more_cutouts: int
    sensors: tuple[str, ...]
    facts: tuple[Fact, ...]
    jobs: tuple[tuple[int, str, str], ...]
    """Open ones: number, title, and when it must be cold again with the reason."""
    service: tuple[tuple[str, str], ...]
    """What comes round and is due, with since when."""


@dataclass(frozen=True, slots=True)
class RestView:
    """One unit with nothing to do: no more than its row shows, as there are many."""

    unit: str
    name: str
    place: str
    state: str
    """Empty where it is in use."""
    heard_ms: int | None
    heard: str
    facts: tuple[Fact, ...]


def _rest_view(card: UnitCard, now_ms: int) -> RestView:
    return RestView(
        unit=card.unit,
        name=card.name,
        place=card.site_name or _("no place given"),
        state="" if card.state == "in_use" else text.STATES[card.state],
        heard_ms=card.observed_at,
        heard=text.age(card.observed_at, now_ms),
        facts=tuple(bench_facts(card.bench)),
    )


def finding_views(card: UnitCard, found: Iterable[Finding], now_ms: int) -> tuple[FindingView, ...]:
    """Return findings in words, with what they rest on."""
    zone = text.zone_of(card)
    return tuple(
        FindingView(
            finding=text.sentence(text.plain(each.finding)).removesuffix("."),
            since=text.clock(each.since, zone, now_ms),
            due="" if each.due is None else text.clock(each.due, zone, now_ms),
            check=text.sentence(each.check),
            could_be=", ".join(text.plain(what) for what in each.could_be),
            wait=wait_words(each, zone),
            parts=", ".join(text.plain(part) for part in each.parts),
            sure="" if each.certainty is None else SURE[each.certainty],
            evidence=tuple(evidence_words(row) for row in each.evidence),
        )
        for each in found
    )


def sensor_words(card: UnitCard) -> tuple[str, ...]:
    """Return which sensors are not to be trusted now."""
    return tuple(sorted({flag_words(flag) for flag in card.sensors if flag.end is None}))


def _job(due: Due, now_ms: int) -> JobView:
    card = due.card
    zone = text.zone_of(card)
    return JobView(
        card=card_view(card, now_ms),
        reasons=text.sentence(", ".join(due.reasons)),
        works=", ".join(words for key, words in WORKS.items() if key in due.works),
        findings=finding_views(card, card.service, now_ms),
        cutouts=tuple(
            cutout_view(each, zone=zone, now_ms=now_ms).words for each in card.cutouts[:_CUTOUTS_SHOWN]
        ),
        more_cutouts=max(0, len(card.cutouts) - _CUTOUTS_SHOWN),
        sensors=sensor_words(card),
        facts=tuple(bench_facts(card.bench)),
        jobs=tuple(
            (
                job.number,
                job_title(job),
                f"{text.sentence(job.reason)} {text.sentence(cold_by_words(job, zone))}",
            )
            for job in due.jobs
        ),
        service=tuple((_service(each, zone), text.sentence(planned_words(each))) for each in due.planned),
    )


def _service(planned: PlannedDue, zone: ZoneInfo) -> str:
    name = RULES.get(planned.rule) or planned.rule
    day = "" if planned.due is None else text.stamp(planned.due, zone)[:10]
    return _("%(service)s, due %(day)s", service=name, day=day)


def asked_of(desk: Desk) -> Asked:
    """Return what people asked for: open jobs, service that comes round, and when places leave."""
    jobs: dict[str, list[Job]] = {}
    for job in reversed(desk.jobs(state="open")):
        jobs.setdefault(job.unit, []).append(job)
    planned: dict[str, list[PlannedDue]] = {}
    for each in desk.planned():
        planned.setdefault(each.unit, []).append(each)
    return Asked(jobs, planned, {each.site: each.leaves for each in desk.departures()})


def _kept(cards: Sequence[UnitCard], place: str, kind: str) -> list[UnitCard]:
    return [card for card in cards if place in {"", card.site} and kind in {"", card.kind}]


def _places(cards: Sequence[UnitCard]) -> list[tuple[str, str]]:
    """Return the places there are, by name."""
    return sorted(
        {(card.site, card.site_name or card.site) for card in cards if card.site}, key=lambda p: p[1]
    )


@router.get("/workshop", response_class=HTMLResponse)
def workshop(
    request: Request, desk: AtDesk, place: Choice = "", kind: Choice = "", work: Choice = ""
) -> Response:
    """Show units with something to do, the most urgent first, then the rest, then units nobody added."""
    live, now_ms = live_of(desk), desk.now_ms()
    every = desk.cards()
    cards = _kept(every, place, kind)
    due = [each for each in due_list(cards, now_ms, asked_of(desk)) if not work or work in each.works]
    busy = {each.card.unit for each in due}
    rest = sorted(
        (card for card in cards if card.unit not in busy and not work),
        key=lambda c: (natural(c.site_name or ""), natural(c.name)),
    )
    waiting = [
        (w.unit, w.packs, text.age(w.first_ms, now_ms), text.age(w.last_ms, now_ms)) for w in desk.waiting()
    ]
    return draw(
        request,
        "workshop.html",
        live=live,
        groups=[
            (key, title, [_job(each, now_ms) for each in due if bool(each.reasons) is urgent])
            for key, title, urgent in (
                ("now", _("Before the next trip"), True),
                ("later", _("Can wait for the next service"), False),
            )
        ],
        rest=[_rest_view(card, now_ms) for card in rest],
        heads=[(fact.key, fact.name) for fact in _heads(rest)],
        waiting=waiting,
        places=_places(every),
        kinds=KINDS,
        works=list(WORKS.items()),
        chosen=(place, kind, work),
        counts=(len(due), len(every)),
        writes=writes(request),
    )


def _heads(rest: Sequence[UnitCard]) -> list[Fact]:
    """Return the columns of the table of the rest: those of a card that has its numbers."""
    known = next((card.bench for card in rest if card.bench is not None), None)
    return bench_facts(known)
