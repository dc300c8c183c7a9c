"""A store, records and a monitor on real files, for tests of how they work together."""

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from services.domain import UnitCard
from services.monitor.worker import Monitor, Step
from services.records.facade import Records
from services.store.influx_access import InfluxAccess
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from tests.helpers import made
from tests.helpers.made import NOON_MS

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


class House:
    """Two cabinets whose samples are stored, judged and signed for."""

    def __init__(
        self, folder: Path, *, fleet_ms: int = NOON_MS - 60 * DAY_MS, influx: InfluxAccess | None = None
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        path = folder / "telemetry.db"
        if influx is None:
            self.store, self.reader = SqliteStore(path), SqliteReader(path)
        else:
            from services.store.influx import InfluxReader, InfluxStore  # noqa: PLC0415 - slow to load

            self.store, self.reader = InfluxStore(influx, path), InfluxReader(influx, path)
        self.records = Records(folder / "records.db")
        self.records.apply_fleet(made.fleet(), who="operator", now_ms=fleet_ms)
        self.monitor = self.another_monitor()

    def hear(self, samples: Iterable[Sample], *, at_ms: int) -> None:
        """Store samples as if they arrived at a moment."""
        self.store.append(list(samples), received_ms=at_ms)

    def another_monitor(self, beat: Callable[[], None] = lambda: None) -> Monitor:
        """Return a monitor that begins anew; for it no time passes while it looks."""
        return Monitor(self.reader, self.records, beat=beat, seconds=lambda: 0.0)

    def look(self, at_ms: int) -> Step:
        """Have the monitor do one step."""
        return self.monitor.step(at_ms)

    def card(self, unit: str = "v3-meat") -> UnitCard:
        """Return the card of a unit that has been judged."""
        card = self.records.card(unit)
        assert card is not None
        return card

    def sign(self, *, at_ms: int, disposition: str = "kept", probe_c: float = 3.0) -> None:
        """Have the cook close a hold."""
        self.records.release_hold(
            "v3-meat", who="Asha", probe_c=probe_c, disposition=disposition, reason="probed", now_ms=at_ms
        )

    def close(self) -> None:
        """Release everything."""
        self.store.close()
        self.reader.close()
        self.records.close()


def sample(sq: int, t_ms: int, cabinet_c: float | None, *, bid: int = 1, unit: str = "v3-meat") -> Sample:
    """Return one sample of a cabinet that breathes half a degree with its compressor."""
    values: dict[str, float | bool | str] = {"battery": 12.7, "compressor": sq // 12 % 2 == 0}
    if cabinet_c is not None:
        values["cabinet"] = round(cabinet_c + (sq % 12) / 24, 3)
    return Sample(unit, bid, sq, t_ms, 2, values)


def minutes(
    temperatures_c: Sequence[float], *, end_ms: int, first_sq: int = 0, bid: int = 1, unit: str = "v3-meat"
) -> list[Sample]:
    """Return samples a minute apart, the last one at `end_ms`."""
    start_ms = end_ms - (len(temperatures_c) - 1) * MINUTE_MS
    return [
        sample(first_sq + k, start_ms + k * MINUTE_MS, c, bid=bid, unit=unit)
        for k, c in enumerate(temperatures_c)
    ]
