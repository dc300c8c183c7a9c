"""Reads trip files, and says everything that is wrong with one at once."""

import json
from collections.abc import Mapping
from datetime import time
from typing import Any

from pydantic import ValidationError

from services.domain._fleet import Fleet
from services.domain._lines import Path, lines_of
from services.domain.complaints import Complaints, loaded, plain
from services.domain.trip import Trip

TABLES = ("trip", "weather", "bank", "unit", "drive", "stop", "load")
_LISTS = ("bank", "unit", "drive", "stop", "load")


def parse_trip(text: str, *, name: str, fleet: Fleet | None = None) -> Trip:
    """Return the trip a TOML text describes; `name` leads every complaint.

    What `fleet` says of the cabinets named in ``trip.units``, and of banks named anywhere, need not be said
    again; what the trip file says of them comes first.

    Raises
    ------
    FleetFileError
        Listing every problem found, with key path and line.
    """
    document = loaded(text, name)
    reader = _Reader(name, document, lines_of(text))
    trip = reader.read(fleet)
    reader.finish()
    if trip is None:
        raise ValueError("a trip that cannot be read was not complained of")
    return trip


class _Reader(Complaints):
    """Turns tables into a trip."""

    def read(self, fleet: Fleet | None) -> Trip | None:
        for key in self._document:
            if key not in TABLES:
                self.complain((key,), f"unknown key; a trip file holds {', '.join(TABLES)}")
        if "trip" not in self._document:
            self.complain(("trip",), "the table [trip] is missing")
        for key in _LISTS:
            if not isinstance(self._document.get(key, []), list):
                self.complain((key,), f"write it as a list of tables: [[{key}]]")
        if self._problems:
            return None
        joined = self._joined(fleet)
        try:
            trip = Trip.model_validate_json(json.dumps(joined, default=plain))
        except ValidationError as error:
            for fault in error.errors(include_url=False):
                self.complain(fault["loc"], _words(fault["type"], fault["msg"]))
            return None
        self._look_at(trip)
        return trip

    def _joined(self, fleet: Fleet | None) -> dict[str, Any]:
        """Return the document with what the fleet says of its units and banks filled in."""
        document = dict(self._document)
        if fleet is None:
            return document
        units: dict[object, dict[str, Any]] = {
            u.id: u.model_dump(mode="json", exclude_unset=True) for u in fleet.units
        }
        banks: dict[object, dict[str, Any]] = {
            b.id: b.model_dump(mode="json", exclude_unset=True) for b in fleet.banks
        }
        head = document["trip"]
        asked = head.get("units", []) if isinstance(head, dict) else []
        own = _filled(document.get("unit", []), units)
        said = {_id_of(table) for table in own}
        for index, wanted in enumerate(asked if isinstance(asked, list) else []):
            known = isinstance(wanted, str) and wanted in units
            if known and wanted not in said:
                own.append(units[wanted])
            elif not known:
                self.complain(("trip", "units", index), f"the fleet has no unit {wanted!r}")
        place = {str(wanted): index for index, wanted in enumerate(asked)} if isinstance(asked, list) else {}
        own.sort(key=lambda table: place.get(_id_of(table), len(place)))
        if isinstance(head, dict):
            document["trip"] = {**_place_of(fleet, own), **head}
        document["unit"] = own
        document["bank"] = _filled(document.get("bank", []), banks) + [
            banks[bank] for bank in _banks_of(own) if bank in banks and bank not in self._ids("bank")
        ]
        return document

    def _ids(self, key: str) -> set[str]:
        return {_id_of(table) for table in self._document.get(key, [])}

    def _look_at(self, trip: Trip) -> None:
        """Complain of what no single table can know."""
        for key, ids in (("bank", [b.id for b in trip.banks]), ("unit", [u.id for u in trip.units])):
            for index, own in enumerate(ids):
                if own in ids[:index]:
                    self.complain((key, index, "id"), f"{own!r} stands twice")
        if not trip.units:
            self.complain(("trip",), "no cabinet is taken along: write [[unit]] tables, or units = [...]")
        self._look_at_supplies(trip)
        self._look_at_days(trip)
        if trip.trip.latitude_deg is None:
            for index, bank in enumerate(trip.banks):
                if trip.panel_wp(bank) > 0:
                    self.complain(("bank", index, "panel_wp"), "needs latitude_deg in [trip]")

    def _look_at_supplies(self, trip: Trip) -> None:
        banks = {bank.id for bank in trip.banks}
        for index, unit in enumerate(trip.units):
            path: Path = ("unit", index, "supply")
            if unit.supply.kind == "battery" and unit.supply.bank is None:
                self.complain((*path, "bank"), "is required: a plan needs to know the bank")
            elif unit.supply.bank is not None and unit.supply.bank not in banks:
                self.complain((*path, "bank"), f"there is no bank {unit.supply.bank!r} in this trip")
            low, high = unit.supply.cutout_v, unit.supply.restart_v
            if low is not None and high is not None and high <= low:
                self.complain((*path, "restart_v"), "must lie above cutout_v")

    def _look_at_days(self, trip: Trip) -> None:
        last = trip.trip.nights + 1
        known = {unit.id for unit in trip.units}
        for key, spells in (("drive", trip.drives), ("stop", trip.stops)):
            for index, spell in enumerate(spells):
                if any(day > last for day in spell.days):
                    self.complain((key, index, "days"), f"the trip ends on day {last}")
        for index, load in enumerate(trip.loads):
            if load.unit not in known:
                self.complain(("load", index, "unit"), f"there is no cabinet {load.unit!r} in this trip")
            if load.day > last or (load.day == last and load.at >= time(12)):
                self.complain(("load", index, "day"), f"the trip ends on day {last} at noon")
            if load.day == 1 and load.at < trip.trip.starts.time():
                self.complain(("load", index, "at"), "lies before the trip starts")


def _filled(tables: object, known: Mapping[object, dict[str, Any]]) -> list[Any]:
    """Return tables with the fleet's words under what the trip itself says, section by section."""
    found = []
    for table in tables if isinstance(tables, list) else []:
        own = _id_of(table)
        found.append(_over(known[own], table) if own in known else table)
    return found


def _id_of(table: object) -> str:
    found = table.get("id") if isinstance(table, dict) else None
    return found if isinstance(found, str) else ""


def _place_of(fleet: Fleet, tables: list[Any]) -> dict[str, float]:
    """Return where the first cabinet with a described place stands, as far as the fleet says."""
    homes = {unit.id: unit.site for unit in fleet.units}
    for table in tables:
        site = next((s for s in fleet.sites if s.id == homes.get(_id_of(table))), None)
        if site is not None and site.latitude_deg is not None and site.longitude_deg is not None:
            return {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
    return {}


def _over(base: Mapping[str, Any], said: Mapping[str, Any]) -> dict[str, Any]:
    joined = dict(base)
    for key, value in said.items():
        below = joined.get(key)
        joined[key] = _over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return joined


def _banks_of(tables: list[Any]) -> list[str]:
    """Return the banks the cabinets name, each once."""
    supplies = [table.get("supply") for table in tables if isinstance(table, dict)]
    named = [supply.get("bank") for supply in supplies if isinstance(supply, dict)]
    return list(dict.fromkeys(bank for bank in named if isinstance(bank, str)))


def _words(kind: str, message: str) -> str:
    if kind == "extra_forbidden":
        return "unknown key"
    if kind == "missing":
        return "is required"
    return message.removeprefix("Value error, ").replace("Input should be", "must be")
