"""Words of the pages on which the fleet is described: fields, choices, credentials."""

from dashboards import foodwords, rulenames
from dashboards.benchwords import CHEMISTRIES
from dashboards.language import Table, _, scale
from services.api.credentialport import Hindrance
from services.domain.fleetcells import Cell, Kind

KINDS: Table[Kind] = Table({"site": "Places", "bank": "Battery banks", "unit": "Cabinets"})
ONE: Table[Kind] = Table({"site": "Place", "bank": "Battery bank", "unit": "Cabinet"})
NEW: Table[Kind] = Table({"site": "Add a place", "bank": "Add a battery bank", "unit": "Add a cabinet"})

FIELDS: Table[str] = Table(
    {
        "id": "Id: 3 to 32 signs, of a-z, 0-9 and -; it stays",
        "name": "Name",
        "kind": "Kind",
        "timezone": "Time zone, such as Africa/Lusaka",
        "latitude_deg": "Latitude, degrees; south is negative",
        "longitude_deg": "Longitude, degrees; west is negative",
        "chemistry": "Chemistry",
        "nominal_v": "Voltage, V",
        "capacity_ah": "Capacity, Ah",
        "installed": "Put in on",
        "starts_engine": "It starts an engine too",
        "other_load_a": "Other things draw from it, A",
        "half_tap_a": "Drawn from one half of a 24 V bank, A",
        "site": "Place",
        "volume_l": "Volume, l",
        "plate": "Type plate: model, serial number",
        "set_point_c": "Set point",
        "interval_s": "Sends a reading every, s",
        "food.classes": "Holds",
        "food.rules": "Rules it is held to",
        "food.load_kg": "Usual load, kg",
        "food.vulnerable_guests": "Children, pregnant, elderly or ill people eat from it",
        "food.cooling_counts": "Minutes of cooling in two stages count for the 2-hour/4-hour rule",
        "food.brief_min": "Quick-frozen food in transport may be warmer for, min",
        "supply.kind": "Fed by",
        "supply.bank": "Battery bank",
        "supply.chemistry": "Chemistry of a battery of its own",
        "supply.nominal_v": "Voltage of that battery, V",
        "supply.capacity_ah": "Capacity of that battery, Ah",
        "supply.cutout_v": "Cut-out, V",
        "supply.restart_v": "Starts again at, V",
        "supply.cable_length_m": "Length of cable, one way, m",
        "supply.cable_mm2": "Section of cable, mm²",
        "supply.panel_wp": "Solar panel, Wp",
        "compressor.running_a": "Current while it runs, A",
        "compressor.variable_speed": "Its speed varies",
        "compressor.shared_with": "Shares its machine with",
        "sensor.position": "Where the sensor is",
        "sensor.offset_c": "The sensor reads too much by, K",
        "sensor.error_k": "The sensor may be off by, K",
        "link.budget_kb_day": "May send, kB a day",
    }
)
PARTS: Table[str] = Table(
    {
        "": "What it is",
        "food": "Food",
        "supply": "Supply",
        "compressor": "Machine",
        "sensor": "Sensor",
        "link": "Link",
    }
)
"""Groups of fields, by the first part of their names."""
UNSHOWN = frozenset({"state", "supply.since"})
"""What is said elsewhere: what a cabinet is used for, on its own page; since when it hangs on a bank, by
the change itself."""
SITE_KINDS: Table[str] = Table({"vehicle": "vehicle", "trailer": "trailer", "camp": "camp", "lodge": "lodge"})
UNIT_KINDS: Table[str] = Table({"fridge": "fridge", "freezer": "freezer"})
SUPPLIES: Table[str] = Table({"battery": "battery", "mains": "mains", "generator": "generator"})
POSITIONS: Table[str] = Table(
    {
        "air": "in the air",
        "wall": "at the wall",
        "plate": "on the cold plate",
        "top": "at the top",
        "product": "in the food",
    }
)
HINDRANCES: Table[Hindrance] = Table(
    {
        "no_broker": "This box runs no broker that asks for credentials. One is made with the command below.",
        "certificates": "Units show certificates at this broker. Their keys go through no browser: give them "
        "with the command below.",
        "rights": "This page may not write the broker's files. Give it at the box, with the command below.",
    }
)


def option_words(kind: Kind, cell: Cell, option: str) -> str:
    """Return what a choice is called."""
    known: Table[str] | None = {
        "site kind": SITE_KINDS,
        "unit kind": UNIT_KINDS,
        "bank chemistry": CHEMISTRIES,
        "unit supply.chemistry": CHEMISTRIES,
        "unit supply.kind": SUPPLIES,
        "unit sensor.position": POSITIONS,
    }.get(f"{kind} {cell.name}")
    if cell.name == "food.classes":
        return next((words for key, words in foodwords.CLASSES.items() if key == option), option)
    if cell.name == "food.rules":
        return rulenames.NAMES.get(option, option)
    return option if known is None else known.get(option, option)


def field_words(cell: Cell) -> str:
    """Return what a field is called; of a temperature with the scale of whoever reads."""
    words = FIELDS[cell.name]
    return f"{words}, {scale()}" if cell.name == "set_point_c" else words


def credential_words(last: tuple[str, str] | None, heard: str) -> str:
    """Return how it stands with a unit's credential.

    Parameters
    ----------
    last : tuple of str, or None
        What happened to it last, ``given`` or ``revoked``, and when; None where nothing ever did.
    heard : str
        How long ago it was last heard since then; empty where it was not.
    """
    if last is None:
        return _("never given a credential")
    if last[0] == "revoked":
        return _("shut out since %(when)s", when=last[1])
    if heard:
        return _("credential since %(when)s, last heard %(ago)s", when=last[1], ago=heard)
    return _("credential since %(when)s, never seen since", when=last[1])
