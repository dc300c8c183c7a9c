"""One sample, many samples as columns, and what was wrong with the rest."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from services.telemetry._channels import BOOLEAN_COLUMNS, NUMERIC_COLUMNS, TEXT_COLUMNS

Value = float | bool | str
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


def milli_of(value: float) -> int:
    """Return a number in milli-units, rounded half to even: the resolution everything is kept at."""
    return round(value * 1000.0)


@dataclass(frozen=True, slots=True)
class Sample:
    """What one unit measured at one moment. Identity is (unit, bid, sq), never the time."""

    unit: str
    bid: int
    """Boot counter of the unit; -1 for imported logs."""
    sq: int
    """Number of the sample within the boot, from 0; the time in ms for imported logs."""
    t_ms: int
    """The unit's own time of measurement. [ms since 1970-01-01 UTC]"""
    tq: int
    """Clock quality: 0 unset (time provisional), 1 holdover, 2 synchronised."""
    values: Mapping[str, Value]
    """By SenML channel name; a channel that was not measured is absent."""
    up_s: float | None = None
    """Uptime at this sample, kept so that a provisional time can be corrected. [s]"""


@dataclass(frozen=True, slots=True)
class Rejected:
    """Something a unit sent that could not be taken, kept with the reason."""

    reason: str
    """A short code, for instance ``undecodable`` or ``wrong_unit``."""
    detail: str
    """One sentence naming what was wrong and where."""
    unit: str | None = None
    bid: int | None = None
    sq: int | None = None
    channel: str | None = None


@dataclass(frozen=True)
class Series:
    """Samples of one unit as columns, in order of time; two samples may share a time.

    Numbers and booleans are float64 with NaN for "not measured" (booleans 0.0 and 1.0),
    texts are object arrays with None. A column that nothing was measured in may be absent.
    """

    t_ms: IntArray
    columns: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse columns of another length and times that run backwards."""
        for name, values in self.columns.items():
            if values.shape != self.t_ms.shape:
                raise ValueError(f"column {name} has shape {values.shape}, times have {self.t_ms.shape}")
        if self.t_ms.size and bool(np.any(np.diff(self.t_ms) < 0)):
            raise ValueError("times run backwards")

    def __len__(self) -> int:
        """Return how many samples there are."""
        return int(self.t_ms.size)

    def numbers(self, column: str) -> FloatArray:
        """Return a number or boolean column, all NaN where it is absent."""
        found = self.columns.get(column)
        return np.full(self.t_ms.shape, np.nan) if found is None else found

    def texts(self, column: str) -> npt.NDArray[np.object_]:
        """Return a text column, all None where it is absent."""
        found = self.columns.get(column)
        return np.full(self.t_ms.shape, None, dtype=object) if found is None else found

    def has(self, column: str) -> bool:
        """Return whether anything was measured in a column."""
        found = self.columns.get(column)
        if found is None:
            return False
        if column in TEXT_COLUMNS:
            return any(value is not None for value in found)
        return bool(np.any(np.isfinite(found)))

    def between(self, start_ms: int, end_ms: int) -> "Series":
        """Return the samples in ``[start_ms, end_ms)``."""
        low, high = np.searchsorted(self.t_ms, [start_ms, end_ms], side="left")
        return Series(self.t_ms[low:high], {name: values[low:high] for name, values in self.columns.items()})

    @staticmethod
    def empty() -> "Series":
        """Return a series without samples."""
        return Series(np.empty(0, dtype=np.int64))

    @staticmethod
    def known_columns() -> tuple[str, ...]:
        """Return every column that has a meaning here."""
        return (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS, *TEXT_COLUMNS)
