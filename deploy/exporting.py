"""Writes what is due into a file: a calendar or a table."""

from pathlib import Path

from dashboards.duelist import by_place, due_items
from dashboards.pages.tables import csv_table
from dashboards.reports import duefile
from deploy.stores import open_reader
from deploy.wiring import box_of, open_records
from services.api.desk import Desk
from services.clock import now_ms
from services.errors import ConfigurationError
from services.settings import Settings


def write_due(settings: Settings, to: Path) -> str:
    """Write everything due, and return what was written.

    Raises
    ------
    ConfigurationError
        If the ending of the file says neither calendar nor table, or it cannot be written.
    """
    kind = to.suffix.lower()
    if kind not in {".ics", ".csv"}:
        raise ConfigurationError(f"{to.name}: the ending must be .ics or .csv", setting="--to")
    with open_reader(settings) as reader:
        desk = Desk(open_records(settings), reader, now_ms, box_of(settings))
        items = due_items(desk)
        places = by_place(desk, items)
    if kind == ".ics":
        made = duefile.calendar_bytes(items, places, now_ms=now_ms())
        count = sum(item.due_ms is not None for item in items)
    else:
        made = csv_table(list(duefile.HEADS), duefile.due_rows(items, places))
        count = len(items)
    try:
        to.write_bytes(made)
    except OSError as error:
        raise ConfigurationError(f"{to}: {error.strerror}", setting="--to") from error
    return f"{to}: {count} due, {sum(place.departure is not None for place in places)} departures"
