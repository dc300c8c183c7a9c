"""The general way from the records of a pack to its samples."""

import math

from services.telemetry._rules import (
    CLOCK_QUALITIES,
    ENUMERATORS,
    HEADER,
    HIGHEST_COUNT,
    MOST_CHANNELS,
    OPTIONAL_HEADER,
    PackError,
    accepted,
)
from services.telemetry._samples import Rejected, Sample, Value
from services.telemetry.senml import RELATIVE_BELOW_S, Record


def _count(value: object, name: str) -> int:
    if type(value) is not float or not 0 <= value <= HIGHEST_COUNT or not value.is_integer():
        raise PackError("no_identity", f"{name} is missing or not a whole number from 0")
    return int(value)


class Sheet:
    """A pack on its way to samples: one row for each enumerating record, found by its instant.

    Rows are known once `compressor` or `tick` has named them. Units send those first; what comes
    before its row waits.
    """

    def __init__(self, unit: str, sent_ms: int) -> None:
        self._unit, self._prefix, self._start = unit, unit + "/", len(unit) + 1
        self._sent_ms = sent_ms
        self._head: dict[str, object] = {}
        self._rows: dict[int, dict[str, Value]] = {}
        self._newest: dict[str, int] = {}
        self._waiting: list[tuple[str, int | None, Record]] = []
        self._booleans: dict[str, dict[int, bool | None]] = {}
        self._rejected: list[tuple[str, str, str, int | None]] = []
        self.relative = False
        self._last_s, self._last_ms = math.nan, 0

    def take(self, record: Record) -> None:
        """Put one record where it belongs."""
        name = record[0]
        if not name.startswith(self._prefix):
            raise PackError(
                "identity_mismatch", f"record {name[:60]!r} is not of this unit", undecodable=False
            )
        channel = name[self._start :]
        if channel in HEADER:
            self._take_header(channel, record)
            return
        t_s = record[1]
        t_ms: int | None = self._last_ms if t_s == self._last_s else self._instant(t_s)
        if channel in ENUMERATORS:
            self._enumerate(channel, t_ms)
            if channel == "tick":
                return
        row = None if t_ms is None else self._rows.get(t_ms)
        if row is None or t_ms is None:
            self._waiting.append((channel, t_ms, record))
        else:
            self._place(channel, t_ms, record, row)

    def _take_header(self, channel: str, record: Record) -> None:
        if channel in self._head and self._head[channel] != record.value:
            raise PackError("bad_header", f"{channel} is given twice, differently")
        if record.fault is not None and channel in OPTIONAL_HEADER:
            self._rejected.append((record.fault, f"{channel} cannot be read", channel, None))
        self._head[channel] = record.value

    def _instant(self, t_s: float) -> int | None:
        if math.isnan(t_s):
            return None
        if t_s < RELATIVE_BELOW_S:
            self.relative = True
            t_ms = self._sent_ms + round(t_s * 1000)
        else:
            t_ms = round(t_s * 1000)
        self._last_s, self._last_ms = t_s, t_ms
        return t_ms

    def _enumerate(self, channel: str, t_ms: int | None) -> None:
        if t_ms is None:
            raise PackError("bad_time", f"a {channel} record has no time, so samples cannot be numbered")
        newest = self._newest.get(channel)
        if (newest is not None and t_ms <= newest) or t_ms in self._rows:
            raise PackError("times_not_increasing", "times of compressor or tick do not increase strictly")
        self._newest[channel] = t_ms
        self._rows[t_ms] = {}

    def _place(self, channel: str, t_ms: int, record: Record, row: dict[str, Value]) -> None:
        value, reason, detail = accepted(channel, record)
        if value is None:
            self._rejected.append((reason, detail, channel, t_ms))
            self._booleans.setdefault(channel, {}).setdefault(t_ms, None)
        elif channel not in row:
            row[channel] = value
            if type(value) is bool and channel != "compressor":
                self._booleans.setdefault(channel, {})[t_ms] = value
        elif row[channel] != value:
            self._rejected.append(("repeated", "a second value for the same sample", channel, t_ms))

    def finish(self) -> tuple[list[Sample], list[Rejected]]:
        """Return the samples, once every record was taken."""
        if not self._rows:
            raise PackError("no_samples", "neither compressor nor tick says how many samples these are")
        self._seat_the_waiting()
        rows = self._rows
        if len(rows) > 1:
            rows = dict(sorted(rows.items()))
            self._carry_booleans(rows)
        if len({channel for row in rows.values() for channel in row}) > MOST_CHANNELS:
            raise PackError("too_many_channels", f"more than {MOST_CHANNELS} channels in one pack")
        return self._numbered(rows)

    def _seat_the_waiting(self) -> None:
        for channel, t_ms, record in self._waiting:
            row = None if t_ms is None else self._rows.get(t_ms)
            if row is None or t_ms is None:
                reason = record.fault or "no_sample"
                self._rejected.append((reason, "no sample of this pack has its time", channel, None))
            else:
                self._place(channel, t_ms, record, row)

    def _carry_booleans(self, rows: dict[int, dict[str, Value]]) -> None:
        """Repeat booleans that were sent on change; one that was rejected is not known from there on."""
        for channel, seen in self._booleans.items():
            held: bool | None = None
            for t_ms, row in rows.items():
                held = seen.get(t_ms, held)
                if held is not None:
                    row.setdefault(channel, held)

    def _numbered(self, rows: dict[int, dict[str, Value]]) -> tuple[list[Sample], list[Rejected]]:
        unit, head = self._unit, self._head
        sq, bid = _count(head.get("sq"), "sq"), _count(head.get("bid"), "bid")
        tq = self._clock_quality()
        start_ms = next(iter(rows))
        up_s = self._uptime_s()
        samples = [
            Sample(
                unit, bid, sq + k, t_ms, tq, row, None if up_s is None else up_s + (t_ms - start_ms) / 1000
            )
            for k, (t_ms, row) in enumerate(rows.items())
        ]
        number = {t_ms: sq + k for k, t_ms in enumerate(rows)}
        rejected = [
            Rejected(reason, detail, unit, bid, None if t_ms is None else number[t_ms], channel)
            for reason, detail, channel, t_ms in self._rejected
        ]
        return samples, rejected

    def _clock_quality(self) -> int:
        given = self._head.get("tq")
        if given is None:
            return 0
        if type(given) is not float or given not in CLOCK_QUALITIES:
            raise PackError("bad_header", "tq is not 0, 1 or 2")
        return 0 if self.relative else int(given)

    def _uptime_s(self) -> float | None:
        given = self._head.get("up")
        if given is None:
            return None
        if type(given) is not float or not 0 <= given <= HIGHEST_COUNT:
            raise PackError("bad_header", "up is not a number from 0")
        return given
