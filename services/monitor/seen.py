"""What the store says last of the units of one step, asked for all of them at once."""

from collections.abc import Collection, Mapping, Sequence

from services.monitor.expected import expected_spans
from services.store import Latest, StoreReader, UnitStatus
from services.timebase import Span


class Seen:
    """Newest samples, last words and missing samples of some units; of others it asks one by one."""

    def __init__(self, reader: StoreReader, units: Collection[str], now_ms: int) -> None:
        """Ask for `units`, as of now."""
        self._reader = reader
        self._units = frozenset(units)
        self._latest: Mapping[str, Latest] = reader.latest(now_ms, units)
        self._statuses: Mapping[str, UnitStatus] = reader.statuses(units)
        self._backlogged = reader.backlogged(units)
        self._missing: dict[str, Sequence[Span]] = {}

    def latest(self, unit: str) -> Latest | None:
        """Return the newest sample of one of the units, None where there is none."""
        return self._latest.get(unit)

    def missing(self, unit: str) -> Sequence[Span]:
        """Return the stretches in which samples are known to exist that are not held."""
        if unit in self._units and unit not in self._backlogged:
            return ()
        if unit not in self._missing:
            self._missing[unit] = self._reader.missing_spans(unit)
        return self._missing[unit]

    def expected(self, unit: str) -> tuple[Span, ...]:
        """Return the stretches in which samples of any unit are expected to arrive yet."""
        statuses = self._statuses if unit in self._units else self._reader.statuses([unit])
        return expected_spans(self.missing(unit), statuses.get(unit))
