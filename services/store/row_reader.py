"""Reading samples that are kept as rows of the store's own file."""

from collections.abc import Collection, Mapping, Sequence

from services.store.counted_reader import CountedReader
from services.store.ledger_reader import AHEAD_MS, AMONG, listed
from services.store.protocol import Latest
from services.store.rows import VALUE_COLUMNS, columns_in, series_of, values_of
from services.telemetry import Series

_LATEST = (
    f"SELECT t_ms, received_ms, {', '.join(VALUE_COLUMNS)}, extra FROM samples"  # noqa: S608 - own names
    " WHERE unit_no = ? AND t_ms <= ? AND tq >= 0 ORDER BY t_ms DESC, bid DESC, sq DESC LIMIT 1"
)


class RowReader(CountedReader):
    """A store's samples as rows, clustered by unit and time; one index hop finds the newest of a unit."""

    def read(self, unit: str, start_ms: int, end_ms: int, columns: Sequence[str] | None = None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``, in order of time, then bid and sq."""
        known = self._unit(unit)
        if known is None:
            return Series.empty()
        unit_no, mask = known
        wanted = columns_in(mask, columns)
        rows = self._rows(
            f"SELECT {', '.join(['t_ms', *wanted])} FROM samples"  # noqa: S608 - names of our own columns
            " WHERE unit_no = ? AND t_ms >= ? AND t_ms < ? AND tq >= 0 ORDER BY t_ms, bid, sq",
            unit_no,
            start_ms,
            end_ms,
        )
        return series_of(rows, wanted)

    def span_of(self, unit: str) -> tuple[int, int] | None:
        """Return the oldest and newest sample time of a unit, None when it has none."""
        rows = self._rows(
            "SELECT (SELECT min(t_ms) FROM samples WHERE unit_no = units.unit_no AND tq >= 0),"
            " (SELECT max(t_ms) FROM samples WHERE unit_no = units.unit_no AND tq >= 0)"
            " FROM units WHERE unit = ?",
            unit,
        )
        return (rows[0][0], rows[0][1]) if rows and rows[0][0] is not None else None

    def latest(self, now_ms: int, units: Collection[str] | None = None) -> Mapping[str, Latest]:
        """Return the newest sample of every unit, or of some, with ``t_ms <= now_ms + 5 min``."""
        found = {}
        with self._access() as connection:
            query, arguments = "SELECT unit_no, unit FROM units", [] if units is None else [listed(units)]
            query += "" if units is None else AMONG
            for unit_no, unit in connection.execute(query, arguments).fetchall():
                row = connection.execute(_LATEST, (unit_no, now_ms + AHEAD_MS)).fetchone()
                if row is not None:
                    found[unit] = Latest(unit, row[0], row[1], values_of(row[2:]))
        return found

    def _newest_before(self, unit: str, t_ms: int) -> int | None:
        rows = self._rows(
            "SELECT max(t_ms) FROM samples JOIN units USING (unit_no)"
            " WHERE unit = ? AND t_ms < ? AND tq >= 0",
            unit,
            t_ms,
        )
        return None if rows[0][0] is None else int(rows[0][0])
