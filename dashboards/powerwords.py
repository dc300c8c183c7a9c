"""Words for batteries: what is known of a bank, what charged it, why a cabinet cut out, what would help."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from dashboards import text
from services.domain import Cutout, Evidence, Move
from services.timebase import ms_of_iso

SOURCES: dict[str, str] = {
    "alternator": "alternator",
    "dc_dc": "DC-DC charger",
    "solar": "panels",
    "mains": "mains",
    "generator": "generator",
    "unknown": "a source not told apart",
}
_SIGNS = {"<=": "≤", ">=": "≥"}


@dataclass(frozen=True, slots=True)
class CutoutView:
    """One cut-out with what its cause rests on."""

    words: str
    why: str
    facts: tuple[str, ...]
    check: str
    evidence: tuple[tuple[str, str, str], ...]
    """Quantity, what was found against the threshold, and where the threshold comes from."""


@dataclass(frozen=True, slots=True)
class EnergyRow:
    """One UTC day of a bank."""

    day: str
    out: str
    charged: str


def evidence_words(row: Evidence) -> tuple[str, str, str]:
    """Return one row of evidence: both numbers, so that nobody has to take our word for it."""
    unit = "" if row.unit == "1" else f" {row.unit}"
    sign = _SIGNS.get(row.operator, row.operator)
    found = f"{_short(row.value)}{unit} {sign} {_short(row.threshold)}{unit}"
    return text.plain(row.quantity), found, row.source


def _short(value: float) -> str:
    return f"{value:.3g}".replace("-", "\N{MINUS SIGN}")


def cutout_view(cutout: Cutout, *, zone: ZoneInfo, now_ms: int) -> CutoutView:
    """Return a cut-out in words, with its evidence and what to check."""
    facts = []
    if cutout.rebound_v is not None:
        facts.append(f"{text.volts(cutout.rebound_v)} came back when it let go")
    if cutout.warmed_k is not None:
        facts.append(f"the cabinet warmed by {text.number(cutout.warmed_k)} K")
    if cutout.attempts > 0:
        tries = f"{cutout.attempts} failed start{'' if cutout.attempts == 1 else 's'} seen"
        facts.append(f"{tries}, between two readings more may go unseen")
    return CutoutView(
        words=text.cutout_words(cutout, zone=zone, now_ms=now_ms),
        why=text.sentence(cutout.why),
        facts=tuple(facts),
        check=text.CAUSE_CHECKS[cutout.cause],
        evidence=tuple(evidence_words(row) for row in cutout.evidence),
    )


def move_words(move: Move) -> str:
    """Return what would move the run-out, by how much, and what to mind."""
    amount = f"{move.amount:g} {move.unit}"
    what = {
        "charge": f"charge for {amount}",
        "set_point": f"raise the set point by {amount}, never for poultry, fish or medicine",
        "merge": f"put its food into {move.unit}",
        "share": f"join its bank with that of {move.unit}",
    }[move.action]
    minds = move.words or {
        "charge": "engine or generator in the open air only: exhaust kills",
        "share": "same chemistry and voltage, isolated first",
    }.get(move.action, "")
    gain = f"{'gains' if move.gain_hours >= 0 else 'costs'} {text.number(abs(move.gain_hours))} h"
    return f"{what}: {gain}{f' ({minds})' if minds else ''}"


def battery_words(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what is known of the bank, each with its reason where it is not."""
    battery = analysis.get("battery")
    if battery is None:
        return [("Battery", text.plain(str(analysis.get("battery_reason") or "not known")))]
    charge, ohm, full = (
        battery.get(key) for key in ("state_of_charge", "source_resistance_ohm", "days_since_full")
    )

    def why(key: str) -> str:
        return f"not known: {text.plain(str(battery.get(f'{key}_reason') or 'not worked out'))}"

    found = [
        (
            "Charge",
            why("state_of_charge")
            if charge is None
            else f"{charge['p10']:.0%} to {charge['p90']:.0%}, likely {charge['p50']:.0%}",
        ),
        (
            "Source resistance",
            why("source_resistance_ohm") if ohm is None else f"{text.number(ohm * 1000, 0)} mΩ",
        ),
        ("Last full", why("days_since_full") if full is None else f"{text.number(full)} days ago"),
    ]
    return [*found, *_capacity(battery), *_path(battery)]


def _capacity(battery: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what a bank holds and how fast it fades, as far as that was learned."""
    holds, fades = battery.get("capacity_ah"), battery.get("capacity_change_per_year")
    if holds is None:
        return []
    low, likely, high = (text.number(holds[key], 0) for key in ("p10", "p50", "p90"))
    words = f"{low} to {high} Ah, likely {likely} Ah"
    if fades is not None:
        changed = text.number(100 * fades["p50"], 0)
        words += f"; changes by {changed} % a year over the weeks seen (told only: forecasts rest on today's)"
    return [("Holds now", words)]


def _path(battery: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what the way from battery to cabinet costs."""
    path = battery.get("supply_path")
    if path is None:
        return []
    ohm, off, sound = (text.number(1000 * path[key], 0) for key in ("ohm", "sd_ohm", "expected_ohm"))
    measured = f"{ohm} ± {off} mΩ from {path['stops']} stops, a sound one {sound} mΩ"
    if path.get("words"):
        return [("Way from the battery", f"{measured}. {text.sentence(str(path['words']))}")]
    words = [
        measured,
        f"takes {text.number(100 * path['drop_share'])} % of the voltage",
    ]
    lost, section = path.get("hours_lost"), path.get("advised_mm2")
    if lost is not None and lost > 0:
        words.append(f"costs {text.number(lost)} h of a full bank")
    if section is not None:
        words.append(f"advised {section:g} mm², fused at the battery at no more than the cable's rating")
    return [("Way from the battery", "; ".join(words))]


def energy_rows(analysis: Mapping[str, Any]) -> list[EnergyRow]:
    """Return charge out and in by UTC day, the newest day first."""
    battery = analysis.get("battery") or {}
    return [
        EnergyRow(
            day=text.stamp(ms_of_iso(day["day"]), ZoneInfo("UTC"))[:10],
            out=f"{text.number(day['out_ah'])} Ah, {text.number(day['out_wh'], 0)} Wh",
            charged="; ".join(_charged(one) for one in day["charged"]) or "nothing seen",
        )
        for day in reversed(battery.get("days") or ())
    ]


def _charged(one: Mapping[str, Any]) -> str:
    source = SOURCES.get(one["source"], text.plain(one["source"]))
    words = f"{source} {text.number(one['hours'])} h"
    ah = one.get("ah")
    return words if ah is None else f"{words}, {text.number(ah['p10'], 0)} to {text.number(ah['p90'], 0)} Ah"
