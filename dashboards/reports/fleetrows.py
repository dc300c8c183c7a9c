"""Sites, banks and units as rows for a spreadsheet, which an import reads again."""

from dashboards.pages.tables import csv_table
from services.domain import Fleet
from services.domain.fleetcells import columns, rows_of
from services.domain.fleetfile import tables_of


def rows_file(fleet: Fleet) -> bytes:
    """Return a fleet as CSV; of an empty one the names of the columns: the template."""
    return csv_table(columns(), rows_of(tables_of(fleet)))
