"""Words for the workshop: what a machine did, what its bank and wires are, and what nobody measured."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from dashboards import text
from dashboards.language import Table, _, ngettext
from services.domain import Bench, Finding, Quantiles, SupplyPath, UnitCard, UnitSettings, Work

CHEMISTRIES: Table[str] = Table(
    {
        "flooded": "lead, flooded",
        "agm": "lead, AGM",
        "gel": "lead, gel",
        "lifepo4": "lithium iron phosphate",
    }
)
SURE: Table[str] = Table(
    {
        "strong": "three signals or more moved together",
        "fair": "two signals moved together",
        "weak": "one signal moved",
    }
)
"""How sure a change is, by the signals that moved."""
CERTAINTIES: Table[str] = Table({"certain": "certain", "probable": "probable"})


@dataclass(frozen=True, slots=True)
class Fact:
    """One number with its name and the key of its explanation."""

    key: str
    name: str
    words: str
    known: bool = True


def milliohm(ohm: float) -> str:
    """Return a resistance in thousandths of an ohm."""
    return f"{text.number(ohm * 1000, 0)} mΩ"


def share(value: float) -> str:
    """Return a share in hundredths."""
    return f"{text.number(100 * value, 0)} %"


def missing(reason: str | None) -> str:
    """Return that a number is not known of this unit, and why."""
    why = text.plain(reason or "not worked out")
    return _("not measured on this unit: %(why)s", why=why)


def _fact(key: str, name: str, words: str | None, reason: str | None) -> Fact:
    return Fact(key, name, missing(reason) if words is None else words, words is not None)


def bench_facts(bench: Bench | None) -> list[Fact]:
    """Return the numbers a workshop plans by, each with the reason where it is missing."""
    if bench is None:
        return [Fact("run_hours", _("Run hours and starts"), _("not worked out yet"), known=False)]
    return [
        _fact("run_hours", _("Run hours"), run_words(bench), bench.hours_run_reason),
        _fact("starts", _("Starts"), start_words(bench), bench.starts_reason),
        _full(bench),
        _fact("ohm", _("Source resistance"), ohm_words(bench), bench.source_ohm_reason),
        _fact("holds", _("Battery holds"), holds_words(bench.capacity_ah), bench.capacity_ah_reason),
    ]


def _full(bench: Bench) -> Fact:
    """Return when the bank was last full; that is seen or not seen, rather than measured."""
    words = full_words(bench.days_since_full)
    why = text.plain(bench.days_since_full_reason or "not worked out")
    return Fact("full", _("Last full"), words or _("not known: %(why)s", why=why), words is not None)


def run_words(of: Bench | Work) -> str | None:
    """Return how long a machine ran of the time it was seen."""
    if of.hours_run is None:
        return None
    ran, seen = text.number(of.hours_run), text.number(of.hours_seen)
    return _("%(ran)s h of %(seen)s h seen", ran=ran, seen=seen)


def start_words(of: Bench | Work) -> str | None:
    """Return how often a machine started."""
    if of.starts is None:
        return None
    if of.starts_per_hour is None:
        return str(of.starts)
    return _("%(starts)s, %(rate)s an hour", starts=of.starts, rate=text.number(of.starts_per_hour))


def full_words(days: float | None) -> str | None:
    """Return how long ago a bank was full."""
    return None if days is None else _("%(days)s days ago", days=text.number(days))


def ohm_words(bench: Bench) -> str | None:
    """Return the resistance between battery and unit beside that of a sound one."""
    if bench.source_ohm is None:
        return None
    found = milliohm(bench.source_ohm)
    if bench.expected_ohm is None:
        return found
    return _("%(found)s, a sound one %(sound)s", found=found, sound=milliohm(bench.expected_ohm))


def holds_words(capacity_ah: Quantiles | None) -> str | None:
    """Return what a bank was learned to hold."""
    if capacity_ah is None:
        return None
    low, likely, high = (text.number(v, 0) for v in (capacity_ah.p10, capacity_ah.p50, capacity_ah.p90))
    return _("%(low)s to %(high)s Ah, likely %(likely)s Ah", low=low, high=high, likely=likely)


def wait_words(found: Finding, zone: tzinfo) -> str:
    """Return until when a finding can wait before food is at risk on a hot day, or why nobody can tell."""
    early, late = found.wait_until_early, found.wait_until_late
    if early is None:
        reason = found.wait_until_early_reason
        return "" if not found.could_be or reason is None else _("not known: %(why)s", why=text.plain(reason))
    first = text.stamp(early, zone)[:10]
    if late is None:
        return _("from %(day)s on", day=first)
    return _("%(first)s to %(last)s", first=first, last=text.stamp(late, zone)[:10])


def measured_words(card: UnitCard) -> tuple[str, str]:
    """Return what a unit measures, and what cannot be told of it for want of a channel."""
    has = [text.CHANNELS[c] for c in card.latest if c in text.CHANNELS]
    gone = []
    if "compressor_on" not in card.latest:
        gone.append(_("no compressor state: run hours, starts, cut-outs and source resistance are not known"))
    if card.runout.reason != "no_battery" and "battery_v" not in card.latest:
        gone.append(_("no battery voltage: charge, run-out and the cause of a stop are not known"))
    if "cabinet_c" not in card.latest:
        gone.append(_("no cabinet temperature: whether it cools is not known"))
    if "current_a" not in card.latest and card.runout.reason != "no_battery":
        gone.append(_("no current: resistance and charge rest on the running current by the file"))
    if not card.latest:
        return _("Nothing was heard of this unit yet."), ""
    return _("Measured on this unit: %(names)s.", names=", ".join(has)), text.sentence("; ".join(gone))


def bank_facts(settings: UnitSettings, bench: Bench | None) -> list[Fact]:
    """Return what the file says of bank and wires, and what was measured and learned of them."""
    if not settings.has_battery:
        kind = text.plain(settings.unit.supply.kind)
        return [Fact("supply", _("Supply"), _("%(kind)s, no battery", kind=kind))]
    return [*_bank(settings, bench), *_wires(settings)]


def _bank(settings: UnitSettings, bench: Bench | None) -> list[Fact]:
    bank = settings.bank
    if bank is None:
        told = _("not described in the fleet file, %(volts)s V taken", volts=settings.nominal_v)
        found = [Fact("battery_why", _("Bank"), told, known=False)]
    else:
        kind = CHEMISTRIES[bank.chemistry]
        label = f"{text.number(bank.capacity_ah, 0)} Ah"
        words = f"{bank.id}: {kind}, {bank.nominal_v} V, {label}"
        if bank.installed is not None:
            words = _("%(bank)s, installed %(day)s", bank=words, day=bank.installed.isoformat())
        shared = ngettext("feeds %(num)s unit", "feeds %(num)s units", settings.units_on_bank)
        found = [Fact("battery_why", _("Bank"), f"{words}; {shared}")]
    holds = None if bench is None else holds_words(bench.capacity_ah)
    found.append(_fact("holds", _("Holds now"), holds, None if bench is None else bench.capacity_ah_reason))
    return found


def cable_words(settings: UnitSettings) -> str:
    """Return the cable by the file, or what was taken where the file is silent."""
    length, section = text.number(settings.cable_length_m), f"{settings.cable_mm2:g}"
    words = _("%(length)s m one way, %(section)s mm²", length=length, section=section)
    supply = settings.unit.supply
    if supply.cable_length_m is None or supply.cable_mm2 is None:
        return _("%(cable)s (assumed: not all of it in the fleet file)", cable=words)
    return words


def _wires(settings: UnitSettings) -> list[Fact]:
    amps = f"{settings.running_a:g} A"
    if settings.unit.compressor.running_a is None:
        amps = _("%(amps)s (assumed)", amps=amps)
    cutout = settings.cutout_v
    return [
        Fact("path", _("Cable"), cable_words(settings)),
        Fact("current", _("Running current, by the file"), amps),
        _fact(
            "cutout_set",
            _("Cut-out setting, by the file"),
            None if cutout is None else text.volts(cutout),
            "not in the fleet file",
        ),
    ]


def path_facts(work: Work | None, path: SupplyPath | None, reason: str | None) -> list[Fact]:
    """Return what the way from the battery measures, against a sound one and the most it should take."""
    found = []
    if path is None:
        found.append(_fact("path", _("Way from the battery"), None, reason))
        if work is not None and work.expected_ohm is not None:
            words = _("%(ohm)s by cable, joints and battery", ohm=milliohm(work.expected_ohm))
            found.append(Fact("path", _("A sound one would measure"), words))
    else:
        values = {"ohm": milliohm(path.ohm), "off": milliohm(path.sd_ohm)}
        measured = ngettext(
            "%(ohm)s ± %(off)s from %(num)s stop",
            "%(ohm)s ± %(off)s from %(num)s stops",
            path.stops,
            **values,
        )
        found += [
            Fact("path", _("Way from the battery"), measured),
            Fact("path", _("A sound one would measure"), milliohm(path.expected_ohm)),
            _fact("path", _("Change"), _change(path), path.change_ohm_per_month_reason),
            Fact("path", _("Lost at running current"), f"{text.number(100 * path.drop_share)} %"),
        ]
        if path.wires_ohm is not None:
            found.append(Fact("path", _("Of it cable and joints"), milliohm(path.wires_ohm)))
        if path.advised_mm2 is not None:
            found.append(Fact("path", _("Thinnest section that is enough"), f"{path.advised_mm2:g} mm²"))
    if work is not None and work.drop_limit_v is not None:
        most = _("%(volts)s: %(source)s", volts=text.volts(work.drop_limit_v), source=work.drop_limit_source)
        found.append(Fact("path", _("Most it should lose"), most))
    return found


def _change(path: SupplyPath) -> str | None:
    if path.change_ohm_per_month is None:
        return None
    amount = milliohm(path.change_ohm_per_month)
    if path.change_sure:
        return _("%(amount)s a month", amount=amount)
    return _("%(amount)s a month, no more than chance", amount=amount)


def path_of(analysis: Mapping[str, Any]) -> tuple[SupplyPath | None, str | None]:
    """Return the way from the battery out of an analysis, or why there is none."""
    battery = analysis.get("battery")
    if battery is None:
        return None, analysis.get("battery_reason")
    found = battery.get("supply_path")
    reason = battery.get("supply_path_reason")
    return (None, reason) if found is None else (SupplyPath.model_validate(found), None)


def work_in(analysis: Mapping[str, Any]) -> Work | None:
    """Return the days of a machine out of an analysis; None in one kept before they were counted."""
    found = analysis.get("work")
    return None if found is None else Work.model_validate(found)
