"""Run tests in words: what each line is, its number beside its limit, and what the whole amounts to."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboards import text
from dashboards.benchwords import milliohm
from dashboards.language import Lines, Phrase, Table, _
from dashboards.rolewords import signer_words
from services.domain import RunTest, RunTestKey, RunTestLine, RunTestRecord, RunTestSaid
from services.timebase import HOUR_MS, MINUTE_MS

KINDS: Table[str] = Table({"run": "Run test, 12 h", "hold_over": "Hold-over test, power off"})
VERDICTS: Table[str] = Table(
    {
        "pass": "Pass",
        "fail": "Fail",
        "not_valid": "Not valid",
        "measured": "Measured, no verdict",
        "running": "Running",
    }
)
SIGNS = {
    "pass": "\N{CHECK MARK}",
    "fail": "\N{MULTIPLICATION X}",
    "not_valid": "?",
    "measured": "=",
    "running": "…",
}
"""A second sign beside the word, so that nothing hangs on a colour."""
MEANINGS: Table[str] = Table(
    {
        "pass": "every condition was kept, and every result that was measured is within its limit",
        "fail": "every condition was kept, and a result is out of its limit",
        "not_valid": "a condition was not kept, or nothing tells whether it was: neither a pass nor a fail",
        "measured": "every condition was kept; nobody gave hours to reach: a number and no verdict",
        "running": "nothing is concluded before it is over",
    }
)
NAMES: Table[RunTestKey] = Table(
    {
        "length_h": "Length",
        "missing_share": "Readings missing",
        "ambient_c": "Air around it, mean",
        "lid_open_min": "Lid open",
        "supply_low_v": "Supply, lowest quarter hour",
        "set_point_moved_k": "Set point moved",
        "pulldown_h": "From start to set point",
        "mean_c": "Cabinet, mean",
        "min_c": "Cabinet, lowest",
        "max_c": "Cabinet, highest",
        "kh_above": "Above the food's limit",
        "duty": "Share of time running",
        "starts_per_h": "Starts an hour",
        "current_a": "Current, running",
        "sag_v": "Voltage sag under load",
        "source_ohm": "Resistance to the battery",
        "slope": "Running for each kelvin, against its own days",
        "slope_model": "Running for each kelvin, against its model",
        "faults": "Faults it reported",
        "start_c": "Warmest point at the start",
        "ran_min": "Compressor ran",
        "spacing_s": "Between two readings",
        "crossing_gap_min": "Between the readings around the limit",
        "hold_h": "Held below the limit",
        "tau_h": "Time constant",
        "tau_ratio": "Time constant against its last test",
        "hold_at_32_h": "It would hold in warmer air",
        "hold_at_43_h": "It would hold in hot air",
    }
)
_AIR_C: dict[RunTestKey, float] = {"hold_at_32_h": 32.0, "hold_at_43_h": 43.0}
STATES: Table[str] = Table(
    {
        "within": "within",
        "outside": "out of limit",
        "not_measured": "not measured",
        "said": "by word, not measured",
        "told": "told, decides nothing",
        "pending": "not yet",
    }
)
SAID: Table[str] = Table(
    {
        "ambient": "Air around it, by hand",
        "lid": "Lid",
        "note": "Note",
        "stopped": "Ended by hand",
    }
)
ROLES: Table[str] = Table({"condition": "Conditions", "result": "Results", "told": "Told beside them"})
NO_CLEARANCE = Phrase(
    "This tells how a machine ran in these hours. It is no clearance for food: food is judged by its own"
    " clock."
)
CAUTIONS = Lines(
    "Electrical work and work on the refrigerant circuit are for licensed technicians: a battery burns and"
    " sets on fire, refrigerant is under pressure, and some kinds burn.",
    "What was not measured is not known. Local codes and the maker's own instructions come first.",
    "The limits are workshop practice and judgement where no document is named beside them.",
)
NOT_GIVEN = Phrase("not given")
NO_LIMIT = "\N{EN DASH}"
"""Stands where there is none."""


@dataclass(frozen=True, slots=True)
class LineView:
    """One line of a test in words."""

    name: str
    value: str
    limit: str
    state: str
    source: str
    why: str
    """Why there is no number; empty where there is one."""
    stands_in_way: bool


@dataclass(frozen=True, slots=True)
class BeforeRow:
    """One quantity now, in the last test, and on its own days before."""

    name: str
    now: str
    last: str
    days: str


def value_words(line: RunTestLine, value: float | None) -> str:
    """Return a number of a line with its unit."""
    return _("not measured") if value is None else amount(line.unit, value, line.key)


def amount(unit: str, value: float, key: RunTestKey) -> str:  # noqa: PLR0911 - a table of units
    """Return a number in the way its unit is written."""
    if unit == "°C":
        return text.degrees(value)
    if unit == "K":
        return text.difference(value)
    if unit == "Ω":
        return milliohm(value)
    if unit == "V":
        return text.volts(value)
    if unit == "1/K":
        return _("%(share)s %% for each kelvin", share=text.number(100 * value, 2))
    if unit == "1/h":
        return text.number(value)
    if unit == "1":
        return _dimensionless(key, value)
    digits = {"h": 1, "min": 0, "s": 0, "A": 2, "A/K": 3, "K·h": 2}[unit]
    return f"{text.number(value, digits)} {unit}"


def _dimensionless(key: RunTestKey, value: float) -> str:
    if key in {"duty", "missing_share"}:
        return f"{text.number(100 * value)} %"
    return text.number(value, 2 if key == "tau_ratio" else 0)


def limit_words(line: RunTestLine) -> str:
    """Return the limit of a line."""
    low, high = line.at_least, line.at_most
    if low is not None and high is not None:
        return _("%(low)s to %(high)s", low=value_words(line, low), high=value_words(line, high))
    if low is not None:
        return _("at least %(limit)s", limit=value_words(line, low))
    if high is not None:
        return _("at most %(limit)s", limit=value_words(line, high))
    return NO_LIMIT


def name_words(key: RunTestKey) -> str:
    """Return what a line is called."""
    air_c = _AIR_C.get(key)
    return NAMES[key] if air_c is None else f"{NAMES[key]}, {text.degrees(air_c, 0)}"


def line_view(line: RunTestLine) -> LineView:
    """Return a line in words."""
    value = value_words(line, line.value)
    if line.value is not None and line.lowest is not None and line.highest is not None:
        spread = _(
            "%(low)s to %(high)s", low=value_words(line, line.lowest), high=value_words(line, line.highest)
        )
        value = f"{value} ({spread})"
    if line.value is None and line.lowest is not None:
        value = _("longer than %(value)s", value=value_words(line, line.lowest))
    elif line.value is None and line.state == "pending":
        value = STATES["pending"]
    return LineView(
        name=name_words(line.key),
        value=value,
        limit=limit_words(line),
        state=STATES[line.state],
        source=text.in_reader_scale(line.source),
        why="" if line.value is not None else text.sentence(line.value_reason or ""),
        stands_in_way=line.speaks,
    )


def groups(result: RunTest) -> list[tuple[str, str, list[LineView]]]:
    """Return the lines of a test by what they are for: conditions, results, what is told beside them."""
    found = []
    for role, title in ROLES.items():
        lines = [line_view(line) for line in result.lines if line.role == role]
        if lines:
            found.append((role, title, lines))
    return found


def because_words(result: RunTest) -> list[str]:
    """Return each thing that stands in the way of a pass, with its number and limit."""
    found = []
    for key in result.because:
        line = result.line(key)
        if line is None:
            continue
        view = line_view(line)
        told = view.value if line.value is not None else text.in_reader_scale(line.value_reason or view.value)
        found.append(
            f"{view.name}: {told}" if view.limit == NO_LIMIT else f"{view.name}: {told} ({view.limit})"
        )
    return found


def unmeasured_words(result: RunTest) -> list[str]:
    """Return what nothing measured, each with what that means."""
    found = []
    for line in result.unmeasured:
        view = line_view(line)
        if line.state == "said":
            why = _("not measured; the technician's word stands")
        else:
            why = text.in_reader_scale(line.value_reason or view.state)
        found.append(f"{view.name}: {why}")
    return found


def before_rows(result: RunTest, last: RunTest | None) -> list[BeforeRow]:
    """Return every number of a test beside that of the last one and of its own days."""
    days = {each.key: each.value for each in result.days_before}
    rows = []
    for line in result.lines:
        earlier = None if last is None else last.line(line.key)
        was = None if earlier is None else earlier.value
        before = days.get(line.key)
        if line.role == "condition" and line.key != "ambient_c":
            continue
        if was is None and before is None:
            continue
        rows.append(
            BeforeRow(
                name=name_words(line.key),
                now=line_view(line).value,
                last=NO_LIMIT if was is None else value_words(line, was),
                days=NO_LIMIT if before is None else value_words(line, before),
            )
        )
    return rows


def said_words(said: RunTestSaid, zone: tzinfo) -> str:
    """Return something said of a test as a line."""
    told = said.note
    if said.kind == "ambient" and said.value is not None:
        told = f"{text.degrees(said.value)} {said.note}".strip()
    elif said.kind == "lid":
        told = f"{_('stayed shut') if said.value else _('was opened')} {said.note}".strip()
    who = signer_words(said.who, said.signed)
    return f"{text.stamp(said.t, zone)}, {who}: {SAID[said.kind]}. {told}".strip()


def left_words(test: RunTestRecord, now_ms: int) -> str:
    """Return how long a test still takes; empty where it is over."""
    if test.concluded is not None:
        return ""
    if test.stopped_ms is not None:
        return _("ended by hand, its result is being worked out")
    gone_ms = max(0, now_ms - test.start)
    if test.kind == "hold_over":
        return _("%(time)s so far; it ends when the limit is passed", time=text.minutes(gone_ms / MINUTE_MS))
    left_ms = 12 * HOUR_MS - gone_ms
    if left_ms <= 0:
        return _("its twelve hours are over; it waits for the last readings")
    return _("%(time)s left of twelve hours", time=text.minutes(left_ms / MINUTE_MS))


def short_words(test: RunTestRecord) -> str:
    """Return a test in a few words."""
    verdict = VERDICTS["running" if test.result is None else test.result.verdict]
    return _("Test %(number)s, %(kind)s: %(verdict)s", number=test.id, kind=KINDS[test.kind], verdict=verdict)


def conditions_words(result: RunTest) -> str:
    """Return the conditions of a test in one sentence, to stand beside its verdict."""
    views = [line_view(line) for line in result.lines if line.role == "condition"]
    return "; ".join(f"{view.name}: {view.value}" for view in views) + "."


def facts(test: RunTestRecord, zone: tzinfo) -> list[tuple[str, str]]:
    """Return who tested what under which conditions."""
    words, result = test.words_now, test.result
    none = str(NOT_GIVEN)
    end_ms = None if result is None or test.concluded is None else result.end
    rows = [
        (_("Serial number"), words.serial or none),
        (_("Technician"), words.technician or none),
        (_("Begun by"), signer_words(test.who, test.signed) if test.who else none),
        (_("Began"), f"{text.stamp(test.start, zone)} {text.offset_name(test.start, zone)}"),
    ]
    if end_ms is not None:
        rows.append((_("Ended"), f"{text.stamp(end_ms, zone)} {text.offset_name(end_ms, zone)}"))
    rows += [
        (_("What was in it"), words.load or none),
        (_("Supply"), f"{words.supply or none}; {_own_supply(own=words.own_supply)}"),
    ]
    if test.job is not None:
        rows.append((_("Job"), str(test.job)))
    if test.kind == "hold_over":
        method = _("to the food's own limit")
        if words.vaccine:
            method = _("to %(limit)s, after the vaccine refrigerators' method", limit=text.degrees(10.0, 0))
        rows.append((_("Method"), method))
        asked = none if words.required_h is None else f"{text.number(words.required_h)} h"
        rows.append((_("Hours asked for"), asked))
    if result is not None:
        rows += [
            (_("Set point"), text.degrees(result.set_point_c)),
            (_("Limit it was held to"), text.degrees(result.limit_c)),
            (_("Readings"), str(result.samples)),
        ]
    return rows


def _own_supply(*, own: bool) -> str:
    return _("its own battery and cable") if own else _("the workshop's own lead")


def assumed_words(assumed: Sequence[str]) -> str:
    """Return what was assumed, in a sentence; empty where nothing was."""
    return text.sentence("; ".join(assumed)) if assumed else ""
