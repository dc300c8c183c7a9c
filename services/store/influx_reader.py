"""Reading samples from an InfluxDB, together with the few rows that still wait beside the ledger."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from services.store.bins import Bins, Gathered, Grid, gathered
from services.store.counting import CountRule
from services.store.influx_access import InfluxAccess
from services.store.influx_bins import bins_of_samples, gathered_points, hourly_of, hours_rolled_up
from services.store.influx_points import (
    ALL_FIELDS,
    FIELD_OF,
    HEAD_FIELDS,
    HIGHEST_NS,
    MEASUREMENT,
    NS_IN_MS,
    select,
)
from services.store.influx_server import InfluxServer
from services.store.ledger_reader import AHEAD_MS
from services.store.protocol import Latest
from services.store.row_reader import RowReader
from services.store.rows import columns_in, columns_of, series_of, values_of
from services.store.sealing import SETTLED
from services.telemetry import Series
from services.timebase import HOUR_MS

_NAMED_AT_MOST = 50
"""Units named in one statement; a longer address is refused by servers in between."""
_AT_ONE_TIME = 4
"""Samples of one millisecond among which the newest is looked for."""
_VALUES_FROM = 1 + len(HEAD_FIELDS)
_WAITING = "FROM samples WHERE unit_no = ? AND t_ms >= ? AND t_ms < ? AND tq >= 0 AND up_ms IS NOT NULL"
_EDGES = "{0} ORDER BY time ASC LIMIT 1; {0} ORDER BY time DESC LIMIT 1"


class InfluxReader(RowReader):
    """The `StoreReader` over an InfluxDB and the ledger file beside ingest; safe to share between threads.

    Rows wait in the ledger's file only while their time may still be corrected.
    """

    def __init__(
        self, access: InfluxAccess, ledger_path: Path | str, *, rule: CountRule | None = None
    ) -> None:
        """Open the ledger, creating an empty one when there is none yet; the server is asked later."""
        super().__init__(ledger_path, rule=rule)
        self._server = InfluxServer(access)
        self._rolled_up = False

    def close(self) -> None:
        """Release the connections."""
        super().close()
        self._server.close()

    def read(self, unit: str, start_ms: int, end_ms: int, columns: Sequence[str] | None = None) -> Series:
        """Return the samples of a unit in ``[start_ms, end_ms)``, in order of time, then bid and sq."""
        known = self._unit(unit)
        if known is None:
            return Series.empty()
        unit_no, mask = known
        wanted = columns_in(mask, columns)
        # What waits first: a row that goes to the server in between is read twice, and told by its identity.
        waiting = self._rows(
            f"SELECT {', '.join(['t_ms', 'bid', 'sq', *wanted])} FROM samples"  # noqa: S608 - our own columns
            " WHERE unit_no = ? AND t_ms >= ? AND t_ms < ? AND tq >= 0",
            unit_no,
            start_ms,
            end_ms,
        )
        points = self._points(unit, start_ms, end_ms, [FIELD_OF[column] for column in wanted])
        if waiting:
            taken = {tuple(row[1:3]) for row in waiting}
            points = [point for point in points if (point[1], point[2]) not in taken]
            points += [[row[0] * NS_IN_MS, *row[1:]] for row in waiting]
        return _series_of(points, wanted)

    def _points(self, unit: str, start_ms: int, end_ms: int, fields: Sequence[str]) -> list[list[Any]]:
        names = ", ".join(f'"{name}"' for name in ("bid", "sq", *fields))
        statement = select(names, unit, start_ms=start_ms, end_ms=end_ms)
        return [point for table in self._server.query(statement) for point in table.values]

    def binned(self, unit: str, over: Grid, columns: Sequence[str]) -> Mapping[str, Bins]:
        """Return columns of numbers or booleans in bins of time, in the order asked for.

        Bins of whole hours are put together from the hourly roll-up as far as it is up to date, which also
        reaches further back than the samples where these are dropped after a time.
        """
        found = {column: Gathered.nothing(over.bins) for column in columns}
        known = self._unit(unit)
        wanted = [] if known is None else columns_in(known[1], columns)
        if known is not None and wanted:
            from_ms, until_ms = self._hours_of(known[0], over)
            rolled = replace(over, start_ms=from_ms, end_ms=until_ms)
            parts: list[tuple[Callable[[str, Grid, Sequence[str]], str], Grid]] = [
                (bins_of_samples, replace(over, end_ms=from_ms)),
                (partial(hours_rolled_up, self._server.access.bucket), rolled),
                (bins_of_samples, replace(over, start_ms=until_ms)),
            ]
            asked = [question(unit, part, wanted) for question, part in parts if part.start_ms < part.end_ms]
            waiting = self._only_waiting(known[0], unit, over, wanted)
            points = [point for each in asked for table in self._server.query(each) for point in table.values]
            for name, bins in gathered_points(points, over, wanted).items():
                bins.put(0, gathered(waiting.t_ms, waiting.numbers(name), over))
                found[name] = bins
        return {column: bins.bins(over.t_ms) for column, bins in found.items()}

    def _only_waiting(self, unit_no: int, unit: str, over: Grid, wanted: Sequence[str]) -> Series:
        """Return the rows of a span that wait here and are not on the server.

        Rows that have settled go there and are deleted here in two steps; should everything stop between
        them, they are in both places until ingest runs again.
        """
        span = (unit_no, over.start_ms, over.end_ms)
        rows = self._rows(
            f"SELECT {', '.join(['t_ms', 'bid', 'sq', *wanted])} {_WAITING} ORDER BY t_ms, bid, sq", *span
        )
        doubtful = {row[0] for row in self._rows(f"SELECT t_ms {_WAITING} AND {SETTLED}", *span)}
        if doubtful:
            points = self._points(unit, min(doubtful), max(doubtful) + 1, [])
            there = {(point[1], point[2]) for point in points}
            rows = [row for row in rows if (row[1], row[2]) not in there]
        return series_of([(row[0], *row[3:]) for row in rows], wanted)

    def _hours_of(self, unit_no: int, over: Grid) -> tuple[int, int]:
        """Return the span of a grid that the roll-up answers for, beginning and end on the hour."""
        from_ms = -(-over.start_ms // HOUR_MS) * HOUR_MS
        if over.width_ms % HOUR_MS or from_ms >= over.end_ms:
            return over.start_ms, over.start_ms
        if not self._is_rolled_up(hourly_of(self._server.access.bucket)):
            return over.start_ms, over.start_ms
        until_ms = over.end_ms - over.end_ms % HOUR_MS
        stale = self._rows("SELECT min(hour_ms) FROM stale_hours WHERE unit_no = ?", unit_no)[0][0]
        return from_ms, max(from_ms, until_ms if stale is None else min(until_ms, stale))

    def _is_rolled_up(self, bucket: str) -> bool:
        """Return whether somebody has set up the roll-up; once there, it stays."""
        if not self._rolled_up:
            shown = [name for table in self._server.query("SHOW DATABASES") for (name,) in table.values]
            self._rolled_up = bucket in shown
        return self._rolled_up

    def span_of(self, unit: str) -> tuple[int, int] | None:
        """Return the oldest and newest sample time of a unit, None when it has none."""
        edges = [
            point[0] // NS_IN_MS
            for table in self._server.query(_EDGES.format(select('"sq"', unit)))
            for point in table.values
        ]
        edges += super().span_of(unit) or ()
        return (min(edges), max(edges)) if edges else None

    def latest(self, now_ms: int, units: Collection[str] | None = None) -> Mapping[str, Latest]:
        """Return the newest sample of every unit, or of some, with ``t_ms <= now_ms + 5 min``."""
        found = dict(super().latest(now_ms, units))
        before_ns = min(HIGHEST_NS, (now_ms + AHEAD_MS + 1) * NS_IN_MS)
        few = units is not None and len(units) <= _NAMED_AT_MOST
        among = "" if units is None or not few else f" AND unit =~ /^({'|'.join(sorted(units))})$/"
        statement = (
            f"SELECT {ALL_FIELDS} FROM {MEASUREMENT} WHERE time < {before_ns}{among}"  # noqa: S608 - our own names
            f" GROUP BY unit ORDER BY time DESC LIMIT {_AT_ONE_TIME}"
        )
        for table in self._server.query(statement):
            unit = table.tags["unit"]
            if units is not None and unit not in units:
                continue
            newest = max(table.values, key=lambda point: (point[0] // NS_IN_MS, point[1], point[2]))
            t_ms = newest[0] // NS_IN_MS
            waiting = found.get(unit)
            if waiting is None or waiting.t_ms < t_ms:
                received_ms = newest[1 + HEAD_FIELDS.index("received_ms")]
                found[unit] = Latest(unit, t_ms, received_ms, values_of(newest[_VALUES_FROM:]))
        return found

    def _newest_before(self, unit: str, t_ms: int) -> int | None:
        statement = select('"sq"', unit, end_ms=t_ms) + " ORDER BY time DESC LIMIT 1"
        times = [point[0] // NS_IN_MS for table in self._server.query(statement) for point in table.values]
        waiting = super()._newest_before(unit, t_ms)
        times += [] if waiting is None else [waiting]
        return max(times, default=None)


def _series_of(points: Sequence[Sequence[Any]], wanted: Sequence[str]) -> Series:
    """Turn points into columns, those of one time in order of bid and sq."""
    if not points:
        return Series.empty()
    times, bids, numbers, *stored = zip(*points, strict=True)
    t_ms = np.array(times, dtype=np.int64) // NS_IN_MS
    columns = columns_of(stored, wanted)
    if bool(np.all(np.diff(t_ms) > 0)):
        return Series(t_ms, columns)
    order = np.lexsort((np.array(numbers), np.array(bids), t_ms))
    return Series(t_ms[order], {name: values[order] for name, values in columns.items()})
