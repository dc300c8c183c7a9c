"""Fleet and unit files of a simulated fleet: its logs can be analysed as they lie."""

import tomllib
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from firmware_sim.scenarios.joined import Scenario

Table = dict[str, Any]

_TABLES_OF_UNIT = ("food", "supply", "compressor", "sensor", "link")


def fleet_tables(scenario: Scenario) -> dict[str, list[Table]]:
    """Return the fleet file's tables, those of repeated sites, banks and units under their own names."""
    raw = tomllib.loads(scenario.fleet_path.read_text(encoding="utf-8"))
    entries = {
        table: {str(entry["id"]): entry for entry in raw.get(table, ())} for table in ("site", "bank", "unit")
    }
    ids: dict[str, Iterable[str]] = {
        "site": (site.id for site, _ in scenario.sites),
        "bank": (bank.id for bank, _ in scenario.banks),
        "unit": scenario.unit_ids,
    }
    tables: dict[str, list[Table]] = {"person": [dict(person) for person in raw.get("person", ())]}
    for table, names in ids.items():
        origin = scenario.origin.get(table, {})
        tables[table] = [_renamed(entries[table][origin.get(name, name)], name) for name in names]
    for entry, (unit, _) in zip(tables["unit"], scenario.units, strict=True):
        entry["site"] = unit.site
        if unit.supply.bank is not None:
            entry["supply"] = entry["supply"] | {"bank": unit.supply.bank}
        if "shared_with" in entry.get("compressor", {}):
            entry["compressor"] = _with_shared(entry["compressor"], unit.compressor.shared_with)
    return tables


def _renamed(entry: Mapping[str, Any], name: str) -> Table:
    if entry["id"] == name:
        return dict(entry)
    number = name.rsplit("-", 1)[-1].lstrip("x")
    title = {"name": f"{entry['name']} ({number})"} if "name" in entry else {}
    return {**entry, "id": name, **title}


def _with_shared(compressor: Table, owner: str | None) -> Table:
    alone = {key: value for key, value in compressor.items() if key != "shared_with"}
    return alone if owner is None else alone | {"shared_with": owner}


def fleet_toml(tables: Mapping[str, list[Table]]) -> str:
    """Return a fleet file."""
    lines: list[str] = []
    for table, entries in tables.items():
        for entry in entries:
            lines.append(f"[[{table}]]")
            lines += _lines(entry, f"{table}.")
    return "\n".join(lines) + "\n"


def unit_toml(tables: Mapping[str, list[Table]], unit: str) -> str:
    """Return a file of one unit alone; what its bank says stands under its supply."""
    entry = next(entry for entry in tables["unit"] if entry["id"] == unit)
    supply = dict(entry.get("supply", {}))
    bank = next((bank for bank in tables["bank"] if bank["id"] == supply.get("bank")), None)
    supply.pop("bank", None)
    if bank is not None:
        supply |= {key: bank[key] for key in ("chemistry", "nominal_v", "capacity_ah")}
    head = {key: value for key, value in entry.items() if key not in (*_TABLES_OF_UNIT, "site")}
    own = {key: entry[key] for key in _TABLES_OF_UNIT if key in entry} | (
        {"supply": supply} if supply else {}
    )
    return "\n".join(["[unit]", *_lines({**head}, ""), *_lines(own, "")]) + "\n"


def _lines(entry: Mapping[str, Any], prefix: str) -> list[str]:
    """Return plain keys, then each table inside."""
    lines = [f"{key} = {_value(value)}" for key, value in entry.items() if not isinstance(value, dict)]
    for key, value in entry.items():
        if isinstance(value, dict):
            lines += [f"[{prefix}{key}]", *_lines(value, f"{prefix}{key}.")]
    return lines


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float, date)):
        return str(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(part) for part in value) + "]"
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
