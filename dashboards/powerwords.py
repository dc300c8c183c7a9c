"""Words for batteries: what is known of a bank, what charged it, why a cabinet cut out, what would help."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from dashboards import runwords, text
from dashboards.language import Table, _, ngettext, with_mark
from services.domain import Cutout, Evidence, Move
from services.timebase import ms_of_iso

SOURCES: Table[str] = Table(
    {
        "alternator": "alternator",
        "dc_dc": "DC-DC charger",
        "solar": "panels",
        "mains": "mains",
        "generator": "generator",
        "unknown": "a source not told apart",
    }
)
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
    return with_mark(f"{value:.3g}".replace("-", "\N{MINUS SIGN}"))


def cutout_view(cutout: Cutout, *, zone: ZoneInfo, now_ms: int) -> CutoutView:
    """Return a cut-out in words, with its evidence and what to check."""
    facts = []
    if cutout.rebound_v is not None:
        facts.append(_("%(voltage)s came back when it let go", voltage=text.volts(cutout.rebound_v)))
    if cutout.warmed_k is not None:
        facts.append(_("the cabinet warmed by %(difference)s", difference=text.difference(cutout.warmed_k)))
    if cutout.attempts > 0:
        facts.append(
            ngettext(
                "%(num)s failed start seen, between two readings more may go unseen",
                "%(num)s failed starts seen, between two readings more may go unseen",
                cutout.attempts,
            )
        )
    return CutoutView(
        words=runwords.cutout_words(cutout, zone=zone, now_ms=now_ms),
        why=text.sentence(cutout.why),
        facts=tuple(facts),
        check=text.CAUSE_CHECKS[cutout.cause],
        evidence=tuple(evidence_words(row) for row in cutout.evidence),
    )


_MINDS: Table[str] = Table(
    {
        "charge": "engine or generator in the open air only: exhaust kills",
        "share": "same chemistry and voltage, isolated first",
    }
)


def move_words(move: Move) -> str:
    """Return what would move the run-out, by how much, and what to mind."""
    amount = text.difference(move.amount) if move.unit == "K" else f"{move.amount:g} {move.unit}"
    what = {
        "charge": _("charge for %(amount)s", amount=amount),
        "set_point": _(
            "raise the set point by %(amount)s, never for poultry, fish or medicine", amount=amount
        ),
        "merge": _("put its food into %(unit)s", unit=move.unit),
        "share": _("join its bank with that of %(unit)s", unit=move.unit),
    }[move.action]
    minds = move.words or _MINDS.get(move.action, "")
    hours = text.number(abs(move.gain_hours))
    gain = (
        _("gains %(hours)s h", hours=hours) if move.gain_hours >= 0 else _("costs %(hours)s h", hours=hours)
    )
    return f"{what}: {gain}{f' ({minds})' if minds else ''}"


def battery_words(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what is known of the bank, each with its reason where it is not."""
    battery = analysis.get("battery")
    if battery is None:
        return [(_("Battery"), text.plain(str(analysis.get("battery_reason") or _("not known"))))]
    charge, ohm, full = (
        battery.get(key) for key in ("state_of_charge", "source_resistance_ohm", "days_since_full")
    )

    def why(key: str) -> str:
        return _(
            "not known: %(words)s", words=text.plain(str(battery.get(f"{key}_reason") or _("not worked out")))
        )

    found = [
        (
            _("Charge"),
            why("state_of_charge")
            if charge is None
            else _(
                "%(low)s to %(high)s, likely %(likely)s",
                low=text.share(charge["p10"]),
                high=text.share(charge["p90"]),
                likely=text.share(charge["p50"]),
            ),
        ),
        (
            _("Source resistance"),
            why("source_resistance_ohm") if ohm is None else f"{text.number(ohm * 1000, 0)} mΩ",
        ),
        (
            _("Last full"),
            why("days_since_full") if full is None else _("%(days)s days ago", days=text.number(full)),
        ),
    ]
    return [*found, *_capacity(battery), *_path(battery)]


def _capacity(battery: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what a bank holds and how fast it fades, as far as that was learned."""
    holds, fades = battery.get("capacity_ah"), battery.get("capacity_change_per_year")
    if holds is None:
        return []
    low, likely, high = (text.number(holds[key], 0) for key in ("p10", "p50", "p90"))
    words = _("%(low)s to %(high)s Ah, likely %(likely)s Ah", low=low, high=high, likely=likely)
    if fades is not None:
        changed = text.number(100 * fades["p50"], 0)
        words += _(
            "; changes by %(changed)s %% a year over the weeks seen (told only: forecasts rest on today's)",
            changed=changed,
        )
    return [(_("Holds now"), words)]


def _path(battery: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what the way from battery to cabinet costs."""
    path = battery.get("supply_path")
    if path is None:
        return []
    ohm, off, sound = (text.number(1000 * path[key], 0) for key in ("ohm", "sd_ohm", "expected_ohm"))
    measured = _(
        "%(ohm)s ± %(off)s mΩ from %(stops)s stops, a sound one %(sound)s mΩ",
        ohm=ohm,
        off=off,
        stops=path["stops"],
        sound=sound,
    )
    if path.get("words"):
        return [(_("Way from the battery"), f"{measured}. {text.sentence(str(path['words']))}")]
    words = [
        measured,
        _("takes %(share)s %% of the voltage", share=text.number(100 * path["drop_share"])),
    ]
    lost, section = path.get("hours_lost"), path.get("advised_mm2")
    if lost is not None and lost > 0:
        words.append(_("costs %(hours)s h of a full bank", hours=text.number(lost)))
    if section is not None:
        words.append(
            _(
                "advised %(section)s mm², fused at the battery at no more than the cable's rating",
                section=f"{section:g}",
            )
        )
    return [(_("Way from the battery"), "; ".join(words))]


def energy_rows(analysis: Mapping[str, Any]) -> list[EnergyRow]:
    """Return charge out and in by UTC day, the newest day first."""
    battery = analysis.get("battery") or {}
    return [
        EnergyRow(
            day=text.stamp(ms_of_iso(day["day"]), ZoneInfo("UTC"))[:10],
            out=_(
                "%(ah)s Ah, %(wh)s Wh",
                ah=text.number(day["out_ah"]),
                wh=text.number(day["out_wh"], 0),
            ),
            charged="; ".join(_charged(one) for one in day["charged"]) or _("nothing seen"),
        )
        for day in reversed(battery.get("days") or ())
    ]


def _charged(one: Mapping[str, Any]) -> str:
    source = SOURCES.get(one["source"], text.plain(one["source"]))
    words = f"{source} {text.number(one['hours'])} h"
    ah = one.get("ah")
    return (
        words
        if ah is None
        else _(
            "%(source)s, %(low)s to %(high)s Ah",
            source=words,
            low=text.number(ah["p10"], 0),
            high=text.number(ah["p90"], 0),
        )
    )
