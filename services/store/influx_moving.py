"""The side of a move that is an InfluxDB; apart from the rest, since its client takes long to load."""

from collections.abc import Sequence

from services.errors import ConfigurationError
from services.store.chunks import week_start_ms
from services.store.influx import InfluxStore
from services.store.influx_points import ALL_FIELDS, row_at, select
from services.store.moving import PUT, Week, rows_at_hand


class OnServer:
    """A store on an InfluxDB, with the rows that wait in its ledger."""

    def __init__(self, store: InfluxStore) -> None:
        """Take a store."""
        self.store = store

    def weeks(self, unit_no: int, unit: str) -> Sequence[int]:
        """Return the weeks in which a unit may have samples."""
        with self.store.held() as connection:
            return sorted(self.store.weeks_held(connection, unit_no, unit))

    def week(self, unit_no: int, unit: str, week: int) -> Week:
        """Return what a unit has in a week."""
        statement = select(ALL_FIELDS, unit, start_ms=week_start_ms(week), end_ms=week_start_ms(week + 1))
        final = [row_at(unit_no, point) for point in self.store.points(statement)]
        with self.store.held() as connection:
            loose = rows_at_hand(connection, unit_no, week, "1")
        waiting = {(row[2], row[3]) for row in loose}
        return Week([row for row in final if (row[2], row[3]) not in waiting], loose)

    def put(self, week: Week) -> None:
        """Write final rows to the server, the others beside the ledger.

        Raises
        ------
        ConfigurationError
            If the server will not have a row: it would be missing afterwards.
        """
        with self.store.held(writing=True) as connection:
            refused = self.store.send(connection, week.final)
            if refused:
                raise ConfigurationError(f"the InfluxDB refuses a sample: {refused[0].rejected.detail}")
            connection.executemany(PUT, week.loose)
