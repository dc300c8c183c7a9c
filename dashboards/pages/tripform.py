"""What a manager fills in to plan a trip, turned into the same trip file the command reads."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from dashboards import text
from dashboards.language import _
from services.domain import Fleet, Site
from services.timebase import DAY_MS


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form."""

    name: str
    words: str
    default: str
    kind: str = "number"
    step: str = "any"
    low: str = ""
    high: str = ""


def fields(tomorrow: str) -> tuple[tuple[str, tuple[Field, ...]], ...]:
    """Return the fields of the form by group, with what stands in them at first."""
    return (
        (
            _("When"),
            (
                Field("start", _("First day"), tomorrow, "date"),
                Field("at", _("Leaves at"), "06:00", "time"),
                Field("nights", _("Nights"), "3", step="1", low="1", high="21"),
            ),
        ),
        (
            _("Weather in the shade"),
            (
                Field("night_c", _("Coolest of a night, °C"), "18", low="-20", high="45"),
                Field("day_c", _("Warmest of a day, °C"), "34", low="-10", high="55"),
                Field("cloud", _("Sun lost to cloud, %%"), "30", low="0", high="100"),
                Field("sun_k", _("Parked in the sun 10:00 to 16:00, hotter by, K"), "0", low="0", high="40"),
            ),
        ),
        (
            _("Charging on the way"),
            (
                Field("drive1", _("First drive from"), "06:00", "time"),
                Field("drive1_h", _("First drive, hours"), "3", low="0", high="12"),
                Field("drive2", _("Second drive from"), "15:30", "time"),
                Field("drive2_h", _("Second drive, hours"), "3", low="0", high="12"),
                Field("drive_a", _("Charging by the engine, A"), "25", low="0", high="300"),
                Field("plug", _("Mains or generator from"), "18:00", "time"),
                Field("plug_h", _("Mains or generator, hours"), "0", low="0", high="24"),
                Field("charger_a", _("Charger on mains or generator, A"), "15", low="0", high="300"),
                Field(
                    "panel_wp", _("Solar panels, W (empty: as in the fleet file)"), "", low="0", high="5000"
                ),
                Field("lat", _("Latitude, ° (south \N{MINUS SIGN})"), "", low="-66", high="66"),
            ),
        ),
        (
            _("At the start"),
            (Field("soc", _("Battery charge, %%"), "90", low="1", high="100"),),
        ),
        (
            _("Something warm put in"),
            (
                Field("kg", _("Kilograms"), "0", low="0", high="500"),
                Field("warm_c", _("How warm, °C"), "30", low="-20", high="60"),
                Field("load_day", _("On day"), "1", step="1", low="1", high="22"),
                Field("load_at", _("At"), "11:00", "time"),
            ),
        ),
    )


def defaults(tomorrow: str) -> dict[str, str]:
    """Return the form as it first stands."""
    typed = {field.name: field.default for _, group in fields(tomorrow) for field in group}
    return {"site": "", "unit": "", **typed}


def tomorrow_at(now_ms: int, site: Site | None) -> str:
    """Return tomorrow's date at a place, ISO."""
    zone = site.zone if site is not None else None
    today = (
        text.local(now_ms, zone).date()
        if zone is not None
        else date(1970, 1, 1) + timedelta(days=now_ms // DAY_MS)
    )
    return (today + timedelta(days=1)).isoformat()


def plannable(fleet: Fleet) -> list[Site]:
    """Return places with a cabinet in use on a bank that is described."""
    banks = {bank.id for bank in fleet.banks}
    used = {u.site for u in fleet.units if u.state == "in_use" and u.supply.bank in banks}
    return [site for site in fleet.sites if site.id in used]


def units_of(fleet: Fleet, site: str) -> list[str]:
    """Return the cabinets of a place that a plan can take along."""
    banks = {bank.id for bank in fleet.banks}
    return [u.id for u in fleet.units if u.site == site and u.state == "in_use" and u.supply.bank in banks]


def trip_text(given: Mapping[str, str], fleet: Fleet, site: Site) -> str:
    """Return the trip file that says what was filled in; numbers are checked where the file is read."""
    units = units_of(fleet, site.id)
    banks = dict.fromkeys(u.supply.bank for u in fleet.units if u.id in units and u.supply.bank is not None)
    lines = [
        "[trip]",
        f"name = {_quoted(site.name)}",
        f"starts = {given['start']}T{given['at']}:00",
        f"nights = {_number(given['nights'])}",
        f"timezone = {_quoted(site.timezone)}",
        *([f"latitude_deg = {_number(given['lat'])}"] if given["lat"].strip() else []),
        f"units = {json.dumps(units)}",
        "[weather]",
        f"night_c = {_number(given['night_c'])}",
        f"day_c = {_number(given['day_c'])}",
        f"cloud_share = {_share(given['cloud'])}",
    ]
    for bank in banks:
        lines += [
            "[[bank]]",
            f"id = {_quoted(bank)}",
            f"start_soc = {_share(given['soc'])}",
            f"drive_a = {_number(given['drive_a'])}",
            f"charger_a = {_number(given['charger_a'])}",
            *([f"panel_wp = {_number(given['panel_wp'])}"] if given["panel_wp"].strip() else []),
        ]
    for key in ("drive1", "drive2"):
        if _some(given[f"{key}_h"]):
            lines += ["[[drive]]", f"at = {given[key]}:00", f"lasts_h = {_number(given[f'{key}_h'])}"]
    if _some(given["plug_h"]):
        lines += [
            "[[stop]]",
            f"at = {given['plug']}:00",
            f"lasts_h = {_number(given['plug_h'])}",
            'supply = "mains"',
        ]
    if _some(given["sun_k"]):
        lines += ["[[stop]]", "at = 10:00:00", "lasts_h = 6.0", f"sun_k = {_number(given['sun_k'])}"]
    if _some(given["kg"]):
        lines += [
            "[[load]]",
            f"unit = {_quoted(given.get('unit') or (units[0] if units else ''))}",
            f"day = {_number(given['load_day'])}",
            f"at = {given['load_at']}:00",
            f"kg = {_number(given['kg'])}",
            f"warm_c = {_number(given['warm_c'])}",
        ]
    return "\n".join(lines) + "\n"


def _quoted(words: str) -> str:
    return json.dumps(words, ensure_ascii=False)


def _number(typed: str) -> str:
    """Return a number as TOML takes it: point for comma, a plain minus; the rest is left to be refused."""
    return typed.strip().replace(",", ".").replace("\N{MINUS SIGN}", "-") or '""'


def _share(typed: str) -> str:
    """Return per cent as a share."""
    plain = _number(typed)
    try:
        return f"{float(plain) / 100:.4g}"
    except ValueError:
        return plain


def _some(typed: str) -> bool:
    """Return whether a field holds anything but nothing; what is no amount counts, to be complained of."""
    try:
        return float(_number(typed)) != 0
    except ValueError:
        return bool(typed.strip())
