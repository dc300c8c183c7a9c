"""Words for jobs of the workshop: kinds of work, lines of a job, parts, sheets of circuit work."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import tzinfo

from dashboards import text
from dashboards.language import Lines, Phrase, Table, _, dynamic
from dashboards.powerwords import evidence_words
from dashboards.rolewords import signed_words
from services.domain import (
    PA_PER_MICRON,
    ChargeWeighed,
    CircuitCheck,
    CircuitResult,
    Job,
    JobChecked,
    JobClosed,
    JobCorrected,
    JobLine,
    JobNoted,
    JobOpened,
    JobOutcome,
    JobPlanned,
    JobState,
    NitrogenHold,
    Part,
    VacuumHold,
    WorkKind,
    judged,
)
from services.timebase import ms_of

WORKS: Table[WorkKind] = Table(
    {
        "battery": "Battery and charging",
        "wiring": "Wiring and settings",
        "cooling": "Cooling",
        "sensor": "Sensors",
        "gasket": "Gasket",
        "condenser": "Condenser cleaning",
        "ice_point": "Check in melting ice",
        "other": "Something else",
    }
)
"""Kinds of work a job is about and a due list can be narrowed to."""
STATES: Table[JobState] = Table({"open": "open", "closed": "closed"})
OUTCOMES: Table[JobOutcome] = Table(
    {
        "done": "done",
        "not_needed": "not needed",
        "passed_on": "passed on to somebody else",
        "failed": "tried, and did not help",
    }
)
RESULTS: Table[CircuitResult] = Table(
    {
        "within": "within these limits",
        "outside": "outside these limits",
        "not_recorded": "not recorded whole: nothing can be said",
    }
)
SHEETS: Table[str] = Table(
    {
        "nitrogen": "Leak test under nitrogen",
        "vacuum": "Evacuation and hold",
        "charge": "Charge weighed in",
    }
)
NO_CLEARANCE = Phrase("A record of what was read, never a clearance: the licensed technician decides.")
CIRCUIT_CAUTIONS = Lines(
    "Refrigerant is under pressure and freezes skin; nitrogen bottles hold 200 bar and more: regulator,"
    " relief valve, goggles and gloves, never oxygen or shop air.",
    "Refrigerant work is for licensed technicians only, with what the type plate names; refrigerant is"
    " recovered, never let off.",
    "Some refrigerants burn (R-290, R-600a, R-1234yf): no flame, spark or switch nearby, and a leak detector"
    " at floor level.",
    "Air the room: refrigerant and nitrogen push out the air one breathes, in pits and vehicles first.",
)


@dataclass(frozen=True, slots=True)
class SheetView:
    """One sheet of circuit work in words."""

    title: str
    result: str
    mark: str
    """Name of the sign beside it: the word comes first, the sign repeats it."""
    read: tuple[tuple[str, str], ...]
    """What was written down, name and value; what was not is named so."""
    evidence: tuple[tuple[str, str, str], ...]
    missing: str
    signed: str


@dataclass(frozen=True, slots=True)
class LineView:
    """One line of a job in words."""

    no: int
    at: str
    who: str
    words: str
    corrected: str
    """What a later line made of it; empty where none did."""
    sheet: SheetView | None
    open: bool
    """Whether it can be corrected."""


def part_words(part: Part) -> str:
    """Return a part with how many of it."""
    if part.count == 1:
        return part.what
    digits = 0 if part.count == int(part.count) else 1
    return f"{text.number(part.count, digits)} \N{MULTIPLICATION SIGN} {part.what}"


def parts_words(parts: Iterable[Part]) -> str:
    """Return parts in one line; empty where there are none."""
    return ", ".join(part_words(part) for part in parts)


def cold_by_words(job: Job, zone: tzinfo) -> str:
    """Return when a cabinet must be cold again."""
    if job.cold_by is None:
        return _("nobody said when it must be cold again")
    return _("cold by %(time)s", time=text.stamp(job.cold_by, zone))


def state_words(job: Job, zone: tzinfo) -> str:
    """Return how a job stands."""
    if job.outcome is None or job.closed is None:
        return STATES["open"]
    over = text.stamp(job.closed, zone)
    return _("closed: %(outcome)s, %(time)s", outcome=OUTCOMES[job.outcome], time=over)


def job_title(job: Job) -> str:
    """Return the number of a job with its kind of work."""
    return _("Job %(number)s: %(work)s", number=job.number, work=WORKS[job.work])


def line_views(job: Job, zone: tzinfo) -> list[LineView]:
    """Return the lines of a job in words, oldest first."""
    fixed: dict[int, JobLine] = {
        line.said.line: line for line in job.lines if isinstance(line.said, JobCorrected)
    }
    found = []
    for line in job.lines:
        said, fix = line.said, fixed.get(line.id)
        sheet = said.sheet if isinstance(said, JobChecked) else None
        found.append(
            LineView(
                no=line.id,
                at=text.stamp(line.t, zone),
                who=f"{said.person}, {signed_words(line.signed)}",
                words=_said(line, zone),
                corrected="" if fix is None else _corrected(fix),
                sheet=None if sheet is None else sheet_view(sheet),
                open=not isinstance(said, JobCorrected),
            )
        )
    return found


def _corrected(fix: JobLine) -> str:
    said = fix.said
    if isinstance(said, JobCorrected) and said.note is not None:
        return _("Line %(no)s corrects it: %(words)s", no=fix.id, words=said.note)
    return _("Line %(no)s takes it back.", no=fix.id)


def _said(line: JobLine, zone: tzinfo) -> str:
    said = line.said
    if isinstance(said, JobOpened):
        return _("opened: %(reason)s", reason=text.sentence(said.reason))
    if isinstance(said, JobPlanned):
        return _planned(said, zone)
    if isinstance(said, JobChecked):
        return f"{SHEETS[said.sheet.check]}. {said.note}".strip()
    if isinstance(said, JobCorrected):
        return _("corrects line %(line)s: %(reason)s", line=said.line, reason=text.sentence(said.reason))
    lead = ""
    if isinstance(said, JobClosed):
        lead = _("closed: %(outcome)s.", outcome=OUTCOMES[said.outcome])
        if said.happened is not None:
            lead += " " + _("It was over %(time)s.", time=text.stamp(ms_of(said.happened), zone))
    return " ".join(part for part in (lead, text.sentence(said.note), _used(said)) if part)


def _used(said: JobNoted | JobClosed) -> str:
    return "" if not said.used else _("Used: %(parts)s.", parts=parts_words(said.used))


def _planned(said: JobPlanned, zone: tzinfo) -> str:
    found = []
    if said.cold_by is not None:
        found.append(_("must be cold by %(time)s", time=text.stamp(ms_of(said.cold_by), zone)))
    if said.parts is not None:
        found.append(_("take along: %(parts)s", parts=parts_words(said.parts) or _("nothing")))
    return text.sentence("; ".join(found))


def sheet_view(sheet: CircuitCheck) -> SheetView:
    """Return a sheet of circuit work: what was read, against which limits, and what was not written down."""
    found = judged(sheet)
    missing = ", ".join(dynamic(each) for each in found.missing)
    return SheetView(
        title=SHEETS[sheet.check],
        result=RESULTS[found.result],
        mark={"within": "resting", "outside": "hold", "not_recorded": "no_data"}[found.result],
        read=tuple(_read(sheet)),
        evidence=tuple(evidence_words(row) for row in found.evidence),
        missing="" if not missing else _("Not written down: %(names)s.", names=missing),
        signed=", ".join(
            part
            for part in (
                sheet.technician or _("technician not written down"),
                _("licence %(number)s", number=sheet.licence)
                if sheet.licence
                else _("licence not written down"),
            )
            if part
        ),
    )


def _read(sheet: CircuitCheck) -> Iterable[tuple[str, str]]:
    if isinstance(sheet, NitrogenHold):
        yield _("Pressure by the gauge"), _from_to(sheet.start_kpa, sheet.end_kpa, _kpa)
        yield _("Temperature of the circuit"), _from_to(sheet.start_c, sheet.end_c, text.degrees)
        yield _("Held for"), _minutes(sheet.minutes)
    elif isinstance(sheet, VacuumHold):
        yield (
            _("Vacuum, reached and after the hold"),
            _from_to(sheet.reached_micron, sheet.after_micron, _micron),
        )
        yield _("Held for"), _minutes(sheet.minutes)
    elif isinstance(sheet, ChargeWeighed):
        yield _("Refrigerant"), sheet.refrigerant or _("not written down")
        yield _("Weighed in"), _grams(sheet.grams)
        yield _("By the type plate"), _grams(sheet.plate_grams)


def _from_to(first: float | None, last: float | None, words: Callable[[float], str]) -> str:
    gone = _("not written down")
    told = [gone if value is None else words(value) for value in (first, last)]
    return _("%(first)s, then %(last)s", first=told[0], last=told[1])


def _kpa(value: float) -> str:
    return f"{text.number(value, 0)} kPa ({text.number(value / 100)} bar)"


def _micron(value: float) -> str:
    return f"{text.number(value, 0)} micron ({text.number(value * PA_PER_MICRON)} Pa)"


def _minutes(value: float | None) -> str:
    return _("not written down") if value is None else text.minutes(value)


def _grams(value: float | None) -> str:
    return _("not written down") if value is None else f"{text.number(value, 0)} g"
