"""Long charts out of hourly roll-ups, and out of samples where those are not up to date."""

from collections.abc import Mapping, Sequence

from services.store import hours
from services.store.bins import Bins, Gathered, Grid, gathered
from services.store.chunks import week_of, week_start_ms
from services.store.rows import VALUE_COLUMNS
from services.store.sealed_reader import SealedReader
from services.timebase import HOUR_MS

_Stretch = tuple[int, int]
"""Start and end. [ms]"""


class RolledReader(SealedReader):
    """Bins of whole hours cost the number of weeks, not of samples; the numbers are the same either way."""

    def binned(self, unit: str, over: Grid, columns: Sequence[str]) -> Mapping[str, Bins]:
        """Return columns of numbers or booleans in bins of time, in the order asked for."""
        known = self._unit(unit)
        if known is None or over.width_ms % HOUR_MS or over.first_ms % HOUR_MS:
            return super().binned(unit, over, columns)
        hourly = Grid(over.start_ms, over.end_ms, over.first_ms, HOUR_MS)
        found = {column: Gathered.nothing(hourly.bins) for column in columns}
        with self._snapshot():
            rolled, rest = self._divided(known[0], over)
            self._put_rolled(known[0], rolled, found, over.first_ms)
            for low_ms, high_ms in rest:
                series = self.read(unit, low_ms, high_ms, columns)
                piece = Grid(low_ms, high_ms, low_ms - low_ms % HOUR_MS, HOUR_MS)
                for column in columns:
                    found[column].put(
                        (piece.first_ms - over.first_ms) // HOUR_MS,
                        gathered(series.t_ms, series.numbers(column), piece),
                    )
        factor = over.width_ms // HOUR_MS
        return {column: found[column].coarser(factor).bins(over.t_ms) for column in columns}

    def _divided(self, unit_no: int, over: Grid) -> tuple[dict[int, _Stretch], list[_Stretch]]:
        """Return which hours of which weeks are rolled up, and the stretches that are not."""
        rolled: dict[int, _Stretch] = {}
        rest: list[_Stretch] = []
        whole_from_ms = -(-over.start_ms // HOUR_MS) * HOUR_MS
        whole_to_ms = over.end_ms // HOUR_MS * HOUR_MS
        at_ms = over.start_ms
        for week, upto_ms in self._rows(
            "SELECT week, upto_ms FROM rolled WHERE unit_no = ? AND week BETWEEN ? AND ? ORDER BY week",
            unit_no,
            week_of(over.start_ms),
            week_of(over.end_ms),
        ):
            low_ms, high_ms = max(week_start_ms(week), whole_from_ms), min(upto_ms, whole_to_ms)
            if low_ms < high_ms:
                rolled[week] = (low_ms, high_ms)
                if at_ms < low_ms:
                    rest.append((at_ms, low_ms))
                at_ms = high_ms
        if at_ms < over.end_ms:
            rest.append((at_ms, over.end_ms))
        return rolled, rest

    def _put_rolled(
        self, unit_no: int, rolled: Mapping[int, _Stretch], found: Mapping[str, Gathered], first_ms: int
    ) -> None:
        if not rolled:
            return
        places = {VALUE_COLUMNS.index(column): column for column in found}
        for week, place, body in self._rows(
            "SELECT week, place, body FROM week_hours"  # noqa: S608 - question marks only
            f" WHERE unit_no = ? AND week BETWEEN ? AND ? AND place IN ({', '.join('?' * len(places))})",
            unit_no,
            min(rolled),
            max(rolled),
            *places,
        ):
            if week in rolled:
                low, high = ((edge_ms - week_start_ms(week)) // HOUR_MS for edge_ms in rolled[week])
                first = (rolled[week][0] - first_ms) // HOUR_MS
                found[places[place]].put(first, hours.unpacked(body).part(low, high))
