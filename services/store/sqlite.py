"""The embedded telemetry store: one SQLite file, one writing process, any number of readers."""

from services.store.row_keeper import RowKeeper
from services.store.row_reader import RowReader


class SqliteReader(RowReader):
    """The `StoreReader` over one SQLite file; safe to share between threads."""


class SqliteStore(RowKeeper, SqliteReader):
    """The `TelemetryStore` over one SQLite file; a commit is on the disk before it returns."""
