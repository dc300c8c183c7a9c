"""What goes onto paper for the workshop: one unit's job, and the table of batteries and wires."""

import functools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any

from dashboards import text
from dashboards.benchwords import (
    CERTAINTIES,
    CHEMISTRIES,
    Fact,
    bank_facts,
    bench_facts,
    cable_words,
    full_words,
    holds_words,
    measured_words,
    milliohm,
    path_facts,
    path_of,
    work_in,
)
from dashboards.duelist import RULES, planned_words
from dashboards.figures.workshop_svg import HEIGHT, WIDTH, charts
from dashboards.jobwords import (
    CIRCUIT_CAUTIONS,
    NO_CLEARANCE,
    SheetView,
    cold_by_words,
    job_title,
    line_views,
    parts_words,
    state_words,
)
from dashboards.language import Lines, _
from dashboards.natural import natural
from dashboards.powerwords import CutoutView, cutout_view
from services.domain import Bench, Cutout, Fleet, Job, UnitCard, UnitSettings, withdrawn
from services.domain.planned import PlannedDue

TEMPLATES = Path(__file__).resolve().parent.parent / "templates"
CAUTIONS = Lines(
    "Refrigerant is under pressure, and some kinds burn: refrigerant work by licensed technicians only, with"
    " what the type plate names, away from flames and sparks.",
    "A 12 or 24 V battery gives enough current to burn and to set on fire: isolate it first, no rings, no"
    " loose tools. Electrical work is for electricians; fuse at the battery, at most the cable's rating.",
    "Charging batteries give off gas that explodes: air the room. Engines and generators in the open air"
    " only: exhaust kills.",
    "Local codes and the maker's own instructions come before this sheet. It tells what changed, not what is"
    " broken.",
)
AFTERWARDS = Lines(
    "Let it run for 12 h as it is used, with its readings recorded, before it goes back (common practice, no"
    " source).",
    "After refrigerant work: pressure test with nitrogen, evacuate, weigh in the charge the type plate names"
    " (common practice, no source).",
)
NOTHING = "\N{EN DASH}"
_MOST_CUTOUTS = 8


@dataclass(frozen=True, slots=True)
class CutoutRow:
    """One cut-out as a row."""

    start: str
    end: str
    minutes: str
    voltage: str
    cause: str
    certainty: str
    view: CutoutView
    """Why, what else was seen of it, what to check, and what the cause rests on."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What people asked for and did on a unit before."""

    job: Job | None
    """The job the sheet is for; None where it is for the unit."""
    jobs: Sequence[Job]
    """Every job of the unit, the newest first."""
    planned: Sequence[PlannedDue]
    leaves_ms: int | None


@functools.cache
def style() -> str:
    """Return the style that goes into every sheet, as it stands there."""
    plain = re.sub(
        r"/\*.*?\*/", "", (TEMPLATES / "jobsheet.css").read_text(encoding="utf-8"), flags=re.DOTALL
    )
    return "\n".join(line.strip() for line in plain.splitlines() if line.strip())


def cutout_rows(card: UnitCard, found: Sequence[Cutout], now_ms: int) -> list[CutoutRow]:
    """Return cut-outs as rows, the newest first."""
    zone = text.zone_of(card)
    return [
        CutoutRow(
            start=text.stamp(each.start, zone),
            end=_("not over") if each.end is None else text.stamp(each.end, zone),
            minutes=text.minutes(each.minutes_without_cooling),
            voltage=text.volts(each.voltage_v),
            cause=text.CAUSES[each.cause],
            certainty=CERTAINTIES[each.certainty],
            view=cutout_view(each, zone=zone, now_ms=now_ms),
        )
        for each in sorted(found, key=lambda each: -each.start)
    ]


def first_checks(card: UnitCard) -> list[str]:
    """Return what to check first: of each finding, then of each cause, none twice."""
    checks = [text.sentence(finding.check) for finding in card.service]
    checks += [text.CAUSE_CHECKS[cutout.cause] for cutout in card.cutouts]
    if any(flag.end is None for flag in card.sensors):
        checks.append(_("Hold the doubtful sensor in melting ice, stirred, and write down what it reads."))
    return list(dict.fromkeys(checks))


def job_view(
    card: UnitCard,
    settings: UnitSettings,
    analysis: Mapping[str, Any],
    findings: Sequence[object],
    sensors: Sequence[str],
    *,
    asked: Asked,
    now_ms: int,
) -> dict[str, Any]:
    """Return everything a job sheet shows."""
    zone = text.zone_of(card)
    work, (path, no_path) = work_in(analysis), path_of(analysis)
    cutouts = [Cutout.model_validate(item) for item in analysis.get("cutouts") or ()]
    measured, gone = measured_words(card)
    return {
        "unit": card.unit,
        "title": card.name if asked.job is None else f"{card.name}, {job_title(asked.job)}",
        "job_no": None if asked.job is None else asked.job.number,
        "asked": _asked(asked, zone),
        "service": [(_rule(each), _due_day(each, zone), planned_words(each)) for each in asked.planned],
        "sheets": _sheets(asked.job, zone),
        "circuit_cautions": list(CIRCUIT_CAUTIONS),
        "no_clearance": NO_CLEARANCE(),
        "printed": f"{text.stamp(now_ms, zone)} {text.offset_name(now_ms, zone)}",
        "facts": [*_facts(card, settings, now_ms), *_repairs(card, asked, zone)],
        "findings": findings,
        "sensors": sensors,
        "cutouts": cutout_rows(card, cutouts, now_ms)[:_MOST_CUTOUTS],
        "all_cutouts": len(cutouts),
        "no_cutouts": text.sentence(str(analysis.get("cutouts_reason") or "")),
        "checks": first_checks(card),
        "charts": charts(work, path),
        "box": (WIDTH, HEIGHT),
        "numbers": bench_facts(card.bench),
        "bank": [*bank_facts(settings, card.bench), *_path(settings, work, path, no_path)],
        "measured": measured,
        "gone": gone,
        "readings": _readings(settings, card.bench),
        "cautions": list(CAUTIONS),
        "afterwards": list(AFTERWARDS),
    }


def _rule(planned: PlannedDue) -> str:
    return RULES.get(planned.rule) or planned.rule


def _due_day(planned: PlannedDue, zone: tzinfo) -> str:
    return _("not known") if planned.due is None else text.stamp(planned.due, zone)[:10]


def _asked(asked: Asked, zone: tzinfo) -> list[tuple[str, str]]:
    """Return what is asked for, line by line: of one job, or of every open one of the unit."""
    jobs = [job for job in asked.jobs if job.state == "open"] if asked.job is None else [asked.job]
    found = []
    for job in jobs:
        words = [text.sentence(job.reason), text.sentence(cold_by_words(job, zone))]
        words.append(text.sentence(state_words(job, zone)))
        if job.parts:
            words.append(_("Take along: %(parts)s.", parts=parts_words(job.parts)))
        if job.used:
            words.append(_("Used: %(parts)s.", parts=parts_words(job.used)))
        found.append((job_title(job), " ".join(words)))
        if asked.job is not None:
            found += [
                (line.at, f"{line.who}: {line.words} {line.corrected}") for line in line_views(job, zone)
            ]
    return found


def _repairs(card: UnitCard, asked: Asked, zone: tzinfo) -> list[tuple[str, str]]:
    """Return its own fault code, the last work that touched it, and when it leaves next."""
    last = next((job for job in asked.jobs if job.mark is not None), None)
    fault = card.latest.get("fault")
    told = text.plain(fault) if isinstance(fault, str) and fault else _("none told by the unit")
    done = _("none recorded") if last is None else f"{job_title(last)}, {state_words(last, zone)}"
    leaves = _("nobody said") if asked.leaves_ms is None else text.stamp(asked.leaves_ms, zone)
    return [(_("Fault code"), told), (_("Last repair"), done), (_("Leaves next"), leaves)]


def _sheets(job: Job | None, zone: tzinfo) -> list[SheetView]:
    """Return the sheets of circuit work of a job that were not taken back."""
    if job is None:
        return []
    gone = withdrawn(job.lines)
    views = line_views(job, zone)
    return [view.sheet for view in views if view.sheet is not None and view.no not in gone]


def _path(settings: UnitSettings, work: Any, path: Any, reason: str | None) -> list[Fact]:  # noqa: ANN401 - handed on
    return path_facts(work, path, reason) if settings.has_battery else []


def _facts(card: UnitCard, settings: UnitSettings, now_ms: int) -> list[tuple[str, str]]:
    volume = "" if settings.unit.volume_l is None else f", {settings.unit.volume_l:g} l"
    kind = _("fridge") if card.kind == "fridge" else _("freezer")
    latest = card.latest.get("cabinet_c")
    reading = text.degrees(None if latest is None else float(latest))
    return [
        (_("Unit"), f"{card.name} ({card.unit}), {kind}{volume}"),
        (_("Place"), card.site_name or _("no place given")),
        (_("Type plate"), settings.unit.plate or ""),
        (_("Use"), text.STATES[card.state]),
        (_("Set point, by the file"), text.degrees(card.set_point_c)),
        (_("Last reading"), f"{reading}, {text.age(card.observed_at, now_ms)}"),
    ]


def _readings(settings: UnitSettings, bench: Bench | None) -> list[tuple[str, str]]:
    """Return what to measure before and after, with what would be expected."""
    found = []
    if settings.has_battery:
        sound = None if bench is None else bench.expected_ohm
        drop = "" if sound is None else _("about %(ohm)s by the file", ohm=milliohm(sound))
        amps = f"{settings.running_a:g} A"
        found = [
            (_("Battery at its terminals, at rest, V"), ""),
            (_("Unit running: battery at its terminals, V"), _("both at the same moment")),
            (_("Unit running: at the unit, V"), _("both at the same moment")),
            (_("Current, running, A"), _("%(amps)s by the file", amps=amps)),
            (_("Resistance to the battery, mΩ"), drop),
        ]
    aim = _("%(value)s by the file", value=text.degrees(settings.set_point_c))
    return [
        *found,
        (_("Cabinet, %(scale)s", scale="°C"), aim),
        (_("Air around it, %(scale)s", scale="°C"), ""),
        (_("Sensor in melting ice, %(scale)s", scale="°C"), _("0 °C is true, 1 K either way passes")),
    ]


BATTERY_HEADS = Lines(
    "Unit", "Place", "Bank", "Kind", "Nominal, V", "Label, Ah", "Holds now", "Last full", "Cable",
    "Resistance to the battery", "A sound one", "Lost at running current",
)  # fmt: skip


def battery_rows(fleet: Fleet, cards: Sequence[UnitCard]) -> list[list[str]]:
    """Return one row for each unit: its bank and its wires, by the file, as measured and as learned."""
    by_unit = {card.unit: card for card in cards}
    rows = []
    for unit in fleet.units:
        settings, card = fleet.settings_of(unit.id), by_unit.get(unit.id)
        rows.append(_battery_row(settings, None if card is None else card.bench))
    return sorted(rows, key=lambda row: [natural(row[at]) for at in (1, 2, 0)])


def _battery_row(settings: UnitSettings, bench: Bench | None) -> list[str]:
    place = "" if settings.site is None else settings.site.name
    name = f"{settings.name} ({settings.unit.id})"
    if not settings.has_battery:
        return [name, place, text.plain(settings.unit.supply.kind), *[NOTHING] * (len(BATTERY_HEADS) - 3)]
    bank = settings.bank
    described = (
        [_("not described"), "", f"{settings.nominal_v}", ""]
        if bank is None
        else [bank.id, CHEMISTRIES[bank.chemistry], f"{bank.nominal_v}", text.number(bank.capacity_ah, 0)]
    )
    return [name, place, *described, *_measured(bench)[:2], cable_words(settings), *_measured(bench)[2:]]


def _measured(bench: Bench | None) -> list[str]:
    unknown = _("not measured")
    if bench is None:
        return [unknown] * 5
    ohm, sound, lost = bench.source_ohm, bench.expected_ohm, bench.drop_share
    return [
        holds_words(bench.capacity_ah) or unknown,
        full_words(bench.days_since_full) or unknown,
        unknown if ohm is None else milliohm(ohm),
        unknown if sound is None else milliohm(sound),
        unknown if lost is None else f"{text.number(100 * lost)} %",
    ]
