"""The words of a log: what people said, what was counted, what happened to the food."""

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from dashboards import foodwords, text
from dashboards.reports.contents import LimitRow, Passing, SaidLine
from dashboards.rulenames import rule_names
from services.domain import BatchCard, BatchEvent, FoodAnswer, SpotCheck, Verdict

BASES = {
    "probe": "product probe",
    "modelled_food": "food modelled from cabinet air",
    "cabinet": "cabinet air",
}
VERDICTS = {
    Verdict.OK: "nothing to do",
    Verdict.WATCH: "watch",
    Verdict.NO_DATA: "not known",
    Verdict.HOLD: "hold: do not serve",
    Verdict.DISCARD_ADVISED: "discard advised",
}
ORIGINS = {"live": "as readings came", "late": "found in late readings", "person": "signed by a person"}
COMPLIANT = {"yes": "kept", "no": "not kept", "unknown": "not known"}
_KINDS = {
    "unit_state": "Use of the cabinet",
    "emptied": "Emptied",
    "release": "Hold closed",
    "probe": "Probe reading",
    "note": "Note",
    "ice_point": "Sensor check in melting ice",
    "signed": "Reviewed and signed",
    "hold_closed": "Hold closed",
    "corrected": "Correction",
    "checked": "Cabinet checked",
    "help": "Asked for help",
    "helped": "Call for help answered",
}
_FIELDS = {
    "probe_c": "probe",
    "surface_c": "surface",
    "reading_c": "reading",
    "core_c": "core",
    "received_c": "received at",
    "food_class": "class",
    "to_unit": "to cabinet",
    "unit": "cabinet",
    "split_from": "split from batch",
    "batch": "batch",
    "quantity_unit": "measured in",
}
_TEMPERATURES = frozenset({"probe_c", "surface_c", "reading_c", "core_c", "received_c"})


def kind_words(kind: str) -> str:
    """Return what kind of thing was said."""
    return _KINDS.get(kind, text.plain(kind).capitalize())


def body_words(body: Mapping[str, Any]) -> str:
    """Return everything that was said, field by field; only what was left empty is left out."""
    return "; ".join(_field(name, value) for name, value in body.items() if value is not None and value != "")


def _field(name: str, value: object) -> str:
    if name == "ice" and isinstance(value, bool):
        return foodwords.ICE[value]
    said = _FIELDS.get(name, text.plain(name))
    if isinstance(value, bool):
        return f"{said}: {'yes' if value else 'no'}"
    if name in _TEMPERATURES and isinstance(value, int | float):
        return f"{said} {exact(float(value))} °C"
    if name.startswith("minutes") and isinstance(value, int | float):
        return f"{said} {minutes(float(value))}"
    if name in {"note", "reason", "what"}:
        return str(value) if name == "note" else f"{said}: {value}"
    return f"{said} {_value(value)}"


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    return text.plain(value) if isinstance(value, str) else str(value)


def values_words(values: Mapping[str, Any]) -> str:
    """Return what a sample held, channel by channel."""
    return ", ".join(f"{name} {_value(value)}" for name, value in sorted(values.items()))


def said_words(line: SaidLine) -> str:
    """Return a statement in words, with what the law says of a probe reading, and what corrects it."""
    fix = () if line.corrected_by is None else (f"corrected by line {line.corrected_by}",)
    return "; ".join((body_words(line.body), *map(spot_words, line.spot), *fix))


def event_words(event: BatchEvent, spot: Sequence[SpotCheck] = ()) -> str:
    """Return what happened to a batch in words, with what the law says of a probe reading."""
    return "; ".join((body_words(event.body), *map(spot_words, spot)))


def spot_words(spot: SpotCheck) -> str:
    """Return what one document says of one probe reading."""
    return f"{rule_names(spot.rule)} at that moment {COMPLIANT[spot.compliant]}: {spot.why} [{spot.source}]"


def answer_words(answer: FoodAnswer) -> tuple[str, str, str, str]:
    """Return what one text answers: the question, the answer, why, and where it stands."""
    question, said = foodwords.QUESTIONS[answer.question], foodwords.ANSWERS[answer.answer]
    return question, said, text.sentence(answer.why), answer.source


def marks_words(card: BatchCard) -> str:
    """Return the minutes above each mark of frozen food; empty for what was never kept frozen."""
    told = (f"{exact(mark.above_c)} °C {minutes(mark.minutes)}" for mark in card.marks)
    return f"Since it was frozen, above {', '.join(told)}" if card.marks else ""


def exact(value: float) -> str:
    """Return a reading as it is kept, to a thousandth, without zeros that say nothing."""
    shown = f"{value:.3f}".rstrip("0")
    shown += "0" if shown.endswith(".") else ""
    return ("0.0" if float(shown) == 0.0 else shown).replace("-", "\N{MINUS SIGN}")


def minutes(value: float) -> str:
    """Return minutes to a tenth; what is more than nothing is never shown as nothing."""
    return "0 min" if value == 0.0 else f"{max(value, 0.1):.1f} min"


def limit_words(limit_c: float, *, below: bool) -> str:
    """Return a limit with the side on which time counts."""
    return f"{'below' if below else 'above'} {exact(limit_c)} °C"


def consequence(row: LimitRow) -> str:
    """Return what time beyond a limit leads to."""
    held = f"hold at {row.hold_min:g} min"
    return held if row.discard_min is None else f"{held}, discard advised at {row.discard_min:g} min"


def passing_words(passing: Passing) -> str:
    """Return which limit was passed, on what basis."""
    side = limit_words(passing.limit_c, below=passing.below)
    return f"{side} ({rule_names(passing.rule)}), {BASES[passing.basis]}"


def both_times(t_ms: float, zone: ZoneInfo) -> str:
    """Return an instant at the cabinet's place and in UTC, to the second."""
    moment, utc = text.local(t_ms, zone), text.local(t_ms, ZoneInfo("UTC"))
    day = "" if utc.date() == moment.date() else f"{utc:%m-%d} "
    return f"{moment:%Y-%m-%d %H:%M:%S} ({day}{utc:%H:%M:%S} UTC)"


def local_time(t_ms: float, zone: ZoneInfo) -> str:
    """Return date and time at the cabinet's place, to the second."""
    return f"{text.local(t_ms, zone):%Y-%m-%d %H:%M:%S}"
