"""Reads fleet and single-unit files, and says everything that is wrong with one at once."""

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from services.domain._fleet import Bank, BatchTemplate, Fleet, HouseRules, Person, Site, Unit, UnitSettings
from services.domain._lines import Path, line_at, lines_of
from services.domain._upkeep import ServiceRule
from services.domain.complaints import Complaints, loaded, plain

_UNIT_SECTIONS = ("food", "supply", "compressor", "sensor", "link")
_FLEET_TABLES: Mapping[str, type[BaseModel]] = {
    "site": Site,
    "bank": Bank,
    "unit": Unit,
    "person": Person,
    "house_rules": HouseRules,
    "template": BatchTemplate,
    "service_rule": ServiceRule,
}

HouseFaults = Callable[[HouseRules], Iterable[tuple[tuple[str, ...], str]]]
"""What is wrong with an operator's own rules, by key: where the published rules live is not known here."""

_UNIQUE = (
    ("site", "id"),
    ("bank", "id"),
    ("unit", "id"),
    ("person", "name"),
    ("house_rules", "name"),
    ("template", "what"),
    ("service_rule", "name"),
)

_Model = TypeVar("_Model", bound=BaseModel)


def parse_fleet(text: str, *, name: str, house_faults: HouseFaults | None = None) -> Fleet:
    """Return the fleet a TOML text describes; `name` leads every complaint.

    `house_faults` says where own rules are looser than the published ones they stand on.

    Raises
    ------
    FleetFileError
        Listing every problem found, with key path and line.
    """
    return fleet_of(loaded(text, name), name=name, lines=lines_of(text), house_faults=house_faults)


def fleet_of(
    document: dict[str, Any],
    *,
    name: str,
    lines: dict[Path, int] | None = None,
    house_faults: HouseFaults | None = None,
) -> Fleet:
    """Return the fleet that tables describe, wherever they come from: a file, a form, rows of a table.

    Raises
    ------
    FleetFileError
        Listing every problem found, with key path and, where `lines` knows it, line.
    """
    reader = _Reader(name, document, lines or {})
    for key in document:
        if key not in _FLEET_TABLES:
            reader.complain((key,), f"unknown key; a fleet file holds {_listed(_FLEET_TABLES)}")
    fleet = Fleet(
        sites=reader.tables("site", Site),
        banks=reader.tables("bank", Bank),
        units=reader.tables("unit", Unit),
        people=reader.tables("person", Person),
        house_rules=reader.house_rules(house_faults),
        templates=reader.tables("template", BatchTemplate),
        service_rules=reader.tables("service_rule", ServiceRule),
    )
    reader.look_for_doubles()
    reader.look_for_strangers()
    reader.finish()
    return fleet


def tables_of(fleet: Fleet) -> dict[str, list[dict[str, Any]]]:
    """Return the tables that describe a fleet, without what is assumed anyway: what `fleet_of` reads."""
    parts: dict[str, tuple[BaseModel, ...]] = {
        "site": fleet.sites,
        "bank": fleet.banks,
        "unit": fleet.units,
        "person": fleet.people,
        "house_rules": fleet.house_rules,
        "template": fleet.templates,
        "service_rule": fleet.service_rules,
    }
    return {
        key: [item.model_dump(mode="json", exclude_defaults=True) for item in items]
        for key, items in parts.items()
    }


def parse_unit_file(text: str, *, name: str, house_faults: HouseFaults | None = None) -> UnitSettings:
    """Return the settings of a single-unit file, defaults applied; it may hold ``[[house_rules]]`` too.

    Raises
    ------
    FleetFileError
        Listing every problem found, with key path and line.
    """
    document = loaded(text, name)
    reader = _Reader(name, document, lines_of(text))
    for key in document:
        if key not in {"unit", "house_rules", *_UNIT_SECTIONS}:
            known = _listed(("unit", *_UNIT_SECTIONS, "house_rules"))
            reader.complain((key,), f"unknown key; a unit file holds {known}")
    unit = reader.single_unit(document.get("unit"))
    house_rules = reader.house_rules(house_faults)
    reader.look_for_doubles()
    reader.finish()
    if unit is None:
        raise ValueError("a unit that cannot be read was not complained of")
    return _settings_alone(unit, house_rules)


def _settings_alone(unit: Unit, house_rules: tuple[HouseRules, ...]) -> UnitSettings:
    """Return the settings of a unit whose file cannot describe its site or bank."""
    settings = UnitSettings.of(unit, house_rules=house_rules)
    assumed = list(settings.assumed)
    if unit.site is not None:
        assumed.append(f"site {unit.site} is not described in a unit file: UTC")
    if unit.supply.bank is not None and settings.bank is None and settings.has_battery:
        assumed.append(f"bank {unit.supply.bank} is not described in a unit file: capacity unknown")
    return settings.model_copy(update={"assumed": tuple(assumed)})


def _listed(names: object) -> str:
    return ", ".join(str(n) for n in names) if isinstance(names, (tuple, Mapping)) else str(names)


class _Reader(Complaints):
    """Turns tables into models."""

    def tables(self, key: str, model: type[_Model]) -> tuple[_Model, ...]:
        found = self._document.get(key, [])
        if not isinstance(found, list):
            self.complain((key,), f"write it as a list of tables: [[{key}]]")
            return ()
        made = (self.model(model, table, (key, index)) for index, table in enumerate(found))
        return tuple(item for item in made if item is not None)

    def house_rules(self, house_faults: HouseFaults | None) -> tuple[HouseRules, ...]:
        """Return the operator's own rules, each held against the published ones."""
        found = self._document.get("house_rules", [])
        made = self.tables("house_rules", HouseRules)
        if house_faults is not None and isinstance(found, list) and len(found) == len(made):
            for index, house in enumerate(made):
                for keys, words in house_faults(house):
                    self.complain(("house_rules", index, *keys), words)
        return made

    def model(self, model: type[_Model], table: object, path: Path) -> _Model | None:
        if not isinstance(table, dict):
            self.complain(path, "must be a table")
            return None
        table = self._with_classes(table, path) if model is Unit else table
        try:
            made = model.model_validate_json(json.dumps(table, default=plain), strict=True)
        except ValidationError as error:
            for fault in error.errors(include_url=False):
                self.complain(self._place(path, fault["loc"]), _words(fault["type"], fault["msg"]))
            return None
        if isinstance(made, Unit):
            self._look_at_supply(made, path)
        return made

    def single_unit(self, head: object) -> Unit | None:
        """Return the unit of a unit file, whose sections stand beside ``[unit]``, not under it."""
        if not isinstance(head, dict):
            hint = "a fleet file ([[unit]]) was given where a unit file ([unit]) is needed"
            self.complain(("unit",), hint if isinstance(head, list) else "the table [unit] is missing")
            return None
        for section in _UNIT_SECTIONS:
            if section in head:
                self.complain(("unit", section), f"belongs in a table of its own: [{section}]")
        table = {key: value for key, value in head.items() if key not in _UNIT_SECTIONS}
        table.update({key: self._document[key] for key in _UNIT_SECTIONS if key in self._document})
        return self.model(Unit, table, ())

    def _with_classes(self, table: dict[str, Any], path: Path) -> dict[str, Any]:
        """Accept ``class = "…"`` for a list of one."""
        food = table.get("food")
        if not isinstance(food, dict) or "class" not in food:
            return table
        if "classes" in food:
            self.complain((*path, "food", "class"), "give either class or classes, not both")
        rest = {key: value for key, value in food.items() if key != "class"}
        return {**table, "food": {"classes": [food["class"]], **rest}}

    def _look_at_supply(self, unit: Unit, path: Path) -> None:
        supply = unit.supply
        if (
            supply.cutout_v is not None
            and supply.restart_v is not None
            and supply.restart_v <= supply.cutout_v
        ):
            self.complain((*path, "supply", "restart_v"), "must lie above cutout_v")
        inline = [k for k in ("chemistry", "nominal_v", "capacity_ah") if getattr(supply, k) is not None]
        if supply.bank is not None and inline:
            self.complain((*path, "supply", inline[0]), "give either bank or an inline battery, not both")

    def _place(self, path: Path, place: Path) -> Path:
        """Return where a fault stands in the file, which is not always where it stands in the model."""
        if not path and place[0] not in _UNIT_SECTIONS:
            return ("unit", *place)
        full = (*path, *place)
        at = full.index("classes") if "classes" in full else -1
        single = (*full[:at], "class")
        return single if at >= 0 and single in self._lines and full[: at + 1] not in self._lines else full

    def look_for_doubles(self) -> None:
        for key, field in _UNIQUE:
            seen: dict[object, int | None] = {}
            for index, table in enumerate(self._list(key)):
                value = table.get(field)
                path = (key, index, field)
                if isinstance(value, str) and value in seen:
                    self.complain(path, f"{value!r} stands already in line {seen[value]}")
                elif isinstance(value, str):
                    seen[value] = line_at(self._lines, path)

    def look_for_strangers(self) -> None:
        known = {key: {table.get("id") for table in self._list(key)} for key in ("site", "bank", "unit")}
        for index, table in enumerate(self._list("unit")):
            for path, kind in (
                (("site",), "site"),
                (("supply", "bank"), "bank"),
                (("compressor", "shared_with"), "unit"),
            ):
                value: Any = table
                for part in path:
                    value = value.get(part) if isinstance(value, dict) else None
                if isinstance(value, str) and value not in known[kind]:
                    self.complain(("unit", index, *path), f"there is no {kind} {value!r}")

    def _list(self, key: str) -> list[dict[str, Any]]:
        found = self._document.get(key)
        return [t if isinstance(t, dict) else {} for t in found] if isinstance(found, list) else []


def _words(kind: str, message: str) -> str:
    if kind == "extra_forbidden":
        return "unknown key"
    if kind == "missing":
        return "is required"
    if kind == "string_pattern_mismatch" and "{3,32}" in message:
        return "must be 3 to 32 signs, of a-z, 0-9 and -"
    return message.removeprefix("Value error, ").replace("Input should be", "must be")
