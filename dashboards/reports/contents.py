"""What stands in an inspector's log: everything already worked out, nothing left to compute but words."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from services.domain import (
    BatchCard,
    BatchEvent,
    Cutout,
    Exposure,
    Finding,
    RejectedCell,
    SensorFlag,
    SpotCheck,
    UnitSettings,
    UnitState,
    Verdict,
)
from services.timebase import Span

FloatArray = npt.NDArray[np.float64]
_HALF_MILLI = 0.0005
"""Readings are kept in milli-units."""
Basis = Literal["probe", "modelled_food", "cabinet"]


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One temperature the cabinet was held to, with the document it stands in."""

    rule: str
    limit_c: float
    below: bool
    """True where time under it counts."""
    hold_min: float
    """Minutes after which the food is held back."""
    discard_min: float | None
    """Minutes after which discarding is advised; None where that never follows from it."""
    source: str


@dataclass(frozen=True, slots=True)
class Regime:
    """A stretch of time over which the cabinet was described the same way."""

    span: Span
    settings: UnitSettings
    limits: tuple[LimitRow, ...]


@dataclass(frozen=True, slots=True)
class Resting:
    """A stretch in which the cabinet was said to be empty, switched off or away."""

    span: Span
    state: UnitState


@dataclass(frozen=True, slots=True)
class DayLine:
    """One limit on one basis over one day."""

    regime: int
    """Index of the description it was counted by."""
    below: bool
    exposure: Exposure


@dataclass(frozen=True, slots=True)
class Spread:
    """Lowest, mean and highest of what was read."""

    lowest: float
    mean: float
    highest: float


@dataclass(frozen=True, slots=True)
class Hour:
    """One hour of readings."""

    start_ms: int
    readings: int
    cabinet_c: Spread | None
    product_c: Spread | None
    battery_v: Spread | None
    running_share: float | None
    """Share of the readings with the compressor running."""
    supply: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Day:
    """One calendar day at the cabinet's place, as far as it lies in the period."""

    span: Span
    readings: int
    cabinet_c: Spread | None
    product_c: Spread | None
    silent: tuple[Span, ...]
    """Stretches longer than the gap limit without a reading of the cabinet."""
    lines: tuple[DayLine, ...]
    hours: tuple[Hour, ...]

    @property
    def silent_minutes(self) -> float:
        """Minutes without readings."""
        return sum(span.minutes for span in self.silent)


@dataclass(frozen=True, slots=True)
class Passing:
    """One unbroken stretch beyond one limit, on one basis, midnights ignored."""

    regime: int
    rule: str
    limit_c: float
    below: bool
    basis: Basis
    span: Span
    peak_c: float
    mean_c: float
    source: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """Time in which at least one limit was passed, and every reading taken in it."""

    span: Span
    passings: tuple[Passing, ...]
    first_reading: int
    """Index of its first reading among those of the log."""
    last_reading: int
    """Index after its last one."""
    cutouts: tuple[Cutout, ...]


@dataclass(frozen=True, slots=True)
class SaidLine:
    """Something a named person said of the cabinet."""

    number: int
    t_ms: int
    who: str
    kind: str
    body: Mapping[str, Any]
    spot: tuple[SpotCheck, ...] = ()
    """What each document says of a probe reading, by the rules that held when it was taken."""
    signed: str | None = None
    """``account``: by a person who had logged in."""
    corrected_by: int | None = None
    """Number of the newest line that corrects it."""


@dataclass(frozen=True, slots=True)
class VerdictLine:
    """One change of the verdict as the pages showed it."""

    t_ms: int
    shown_ms: int
    computed: Verdict
    standing: Verdict
    before: Verdict | None
    origin: str
    why: str


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """An episode that was reported once and that later data showed to be otherwise."""

    rule: str
    limit_c: float
    basis: str
    span: Span
    peak_c: float
    withdrawn_ms: int


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A reading that came a second time with other values; the first one stays."""

    t_ms: int
    received_ms: int
    bid: int
    sq: int
    later: Mapping[str, Any]
    """What came later, by channel."""


@dataclass(frozen=True, slots=True)
class IcePoint:
    """A check of a sensor in melting ice."""

    t_ms: int
    channel: str
    reading_c: float
    who: str
    origin: Literal["unit file", "said"]


@dataclass(frozen=True, slots=True)
class Applied:
    """What the checks of a sensor made of its readings over a stretch; the readings printed are unedited."""

    channel: str
    span: Span
    offset_k: float
    """Added before time above a limit was counted."""
    high_k: float
    """How far it read high: told, never taken off where warmth is the danger."""
    failed: bool
    """True where a failed check makes these readings suspect."""


@dataclass(frozen=True)
class Readings:
    """Every reading of the period as it came, nothing merged, nothing corrected."""

    t_ms: npt.NDArray[np.int64]
    columns: Mapping[str, npt.NDArray[Any]]

    def numbers(self, column: str) -> FloatArray:
        """Return a column, all NaN where nothing was measured."""
        found = self.columns.get(column)
        return np.full(self.t_ms.shape, np.nan) if found is None else found


@dataclass(frozen=True)
class LogSheet:
    """A whole inspector's log."""

    span: Span
    zone: ZoneInfo
    printed_ms: int
    software: str
    source: str
    """Where the readings come from, in words."""
    firmware: str | None
    regimes: tuple[Regime, ...]
    resting: tuple[Resting, ...]
    days: tuple[Day, ...]
    stretches: tuple[Stretch, ...]
    air: tuple[Passing, ...]
    """The same of the cabinet air: exact, and no verdict by itself."""
    readings: Readings
    verdict: Verdict
    verdict_why: str
    verdict_at_ms: int
    said: tuple[SaidLine, ...]
    verdicts: tuple[VerdictLine, ...]
    withdrawn: tuple[Withdrawn, ...]
    contradictions: tuple[Contradiction, ...]
    ice_points: tuple[IcePoint, ...]
    applied: tuple[Applied, ...]
    batches: tuple[BatchCard, ...]
    batch_events: tuple[BatchEvent, ...]
    batch_spots: Mapping[int, tuple[SpotCheck, ...]]
    """The same of probe readings in batches, by the number of the event."""
    cutouts: tuple[Cutout, ...]
    sensors: tuple[SensorFlag, ...]
    findings: tuple[Finding, ...]
    awaited: tuple[Span, ...]
    """Stretches of which readings are known to exist that have not arrived."""
    rejected: tuple[RejectedCell, ...]
    assumed: tuple[str, ...]
    with_records: bool
    """False for a log from a file alone, of which nobody said anything here."""
    chain: tuple[int, str] | None
    """Number and hash of the newest link of the audit chain; None for a log from a file alone."""

    @cached_property
    def digits(self) -> Mapping[str, int]:
        """Decimals that show every reading of a temperature as it is kept; 1 to 3."""
        return {name: _digits(self.readings.numbers(name)) for name in ("cabinet_c", "product_c")}

    @property
    def settings(self) -> UnitSettings:
        """The cabinet as it was described at the end of the period."""
        return self.regimes[-1].settings


def _digits(values: FloatArray) -> int:
    measured = values[np.isfinite(values)]
    return next((d for d in (1, 2) if bool(np.all(np.abs(measured - measured.round(d)) < _HALF_MILLI))), 3)
