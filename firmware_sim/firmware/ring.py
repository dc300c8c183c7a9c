"""The unit's memory: a file of fixed-size records, the oldest overwritten when it is full."""

import json
import mmap
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from services.errors import ConfigurationError
from services.telemetry import IntArray

HEAD_BYTES = 1024
_COUNTERS_AT = 512
_NOT_MEASURED = np.iinfo(np.int32).min

Records = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Counts:
    """Where a ring stands; indexes count every record ever kept."""

    written: int
    freed: int
    """Everything before this index is confirmed or was overwritten."""
    lost: int
    """Overwritten before it was confirmed."""


class Ring:
    """Samples of one unit on its own storage, in the order they were taken.

    A record is written before the counter that makes it count, so ending the program at any moment
    leaves whole records only; what is kept lies in the system's file cache, as in a unit with a capacitor.
    """

    def __init__(self, path: Path, *, channels: tuple[str, ...], capacity: int) -> None:
        self._channels = channels
        self._lock = threading.Lock()
        self._type = np.dtype(
            [
                ("bid", "<i4"),
                ("tq", "<i4"),
                ("sq", "<i8"),
                ("t_ms", "<i8"),
                ("up_ms", "<i8"),
                ("milli", "<i4", (len(channels),)),
            ]
        )
        head = {"form": 1, "channels": list(channels), "capacity": capacity}
        fresh = not path.exists()
        if fresh:
            with path.open("wb") as file:
                file.write(json.dumps(head).encode().ljust(HEAD_BYTES, b"\0"))
                file.truncate(HEAD_BYTES + capacity * self._type.itemsize)
        self._file = path.open("r+b")
        self._map = mmap.mmap(self._file.fileno(), 0)
        if not fresh and json.loads(self._map[:_COUNTERS_AT].rstrip(b"\0")) != head:
            self.close()
            raise ConfigurationError(
                "kept with other channels; start with an empty folder", setting=path.name
            )
        self._capacity = capacity
        self._counters = np.frombuffer(self._map, dtype="<i8", count=3, offset=_COUNTERS_AT)
        self._records = np.frombuffer(self._map, dtype=self._type, count=capacity, offset=HEAD_BYTES)

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the kept values, in order."""
        return self._channels

    def counts(self) -> Counts:
        """Return where the ring stands."""
        with self._lock:
            written, freed, lost = (int(value) for value in self._counters)
        return Counts(written, freed, lost)

    def append(
        self, *, bid: int, sq: int, tq: int, t_ms: IntArray, up_ms: IntArray, milli: npt.NDArray[np.int32]
    ) -> None:
        """Keep samples with consecutive numbers from `sq`; one row of `milli` for each."""
        fresh = np.empty(t_ms.size, dtype=self._type)
        fresh["bid"], fresh["tq"] = bid, tq
        fresh["sq"] = sq + np.arange(t_ms.size)
        fresh["t_ms"], fresh["up_ms"], fresh["milli"] = t_ms, up_ms, milli
        with self._lock:
            written, freed, lost = (int(value) for value in self._counters)
            oldest = written + t_ms.size - self._capacity
            if oldest > freed:
                self._counters[1], self._counters[2] = oldest, lost + oldest - freed
            keep = fresh[-self._capacity :]
            at = (written + t_ms.size - keep.size + np.arange(keep.size)) % self._capacity
            self._records[at] = keep
            self._counters[0] = written + t_ms.size

    def read(self, start: int, end: int) -> Records:
        """Return a copy of the records ``[start, end)``, as far as they are still there."""
        with self._lock:
            written = int(self._counters[0])
            low, high = max(start, written - self._capacity, 0), min(end, written)
            at = np.arange(low, max(low, high)) % self._capacity
            return self._records[at].copy()

    def free(self, marks: dict[int, int]) -> int:
        """Free confirmed records from the oldest on and return the new oldest index.

        Stops at the first record above its boot's mark: nothing behind an unconfirmed one is freed.
        """
        with self._lock:
            written, freed = int(self._counters[0]), int(self._counters[1])
            while freed < written:
                at = np.arange(freed, min(freed + 1024, written)) % self._capacity
                some = self._records[at]
                boots, which = np.unique(some["bid"], return_inverse=True)
                mark = np.array([marks.get(int(bid), -1) for bid in boots])[which]
                above = np.flatnonzero(some["sq"] > mark)
                freed += int(above[0]) if above.size else some.size
                if above.size:
                    break
            self._counters[1] = freed
            return freed

    def find(self, *, bid: int, first_sq: int, last_sq: int) -> IntArray:
        """Return the indexes of a boot's numbers from first to last, freed ones too while they last."""
        with self._lock:
            written = int(self._counters[0])
            index = np.arange(max(0, written - self._capacity), written)
            some = self._records[index % self._capacity]
        chosen = (some["bid"] == bid) & (some["sq"] >= first_sq) & (some["sq"] <= last_sq)
        found: IntArray = index[chosen]
        return found

    def index_at(self, t_ms: int) -> int:
        """Return the index of the first record at or after a time, `written` when there is none."""
        with self._lock:
            written = int(self._counters[0])
            index = np.arange(max(0, written - self._capacity), written)
            times = self._records["t_ms"][index % self._capacity]
        later = np.flatnonzero(times >= t_ms)
        return int(index[later[0]]) if later.size else written

    def close(self) -> None:
        """Release the file."""
        self._counters = np.zeros(3, dtype="<i8")
        self._records = np.zeros(1, dtype=self._type)
        self._map.close()
        self._file.close()


def milli_or_missing(values: npt.NDArray[np.float64]) -> npt.NDArray[np.int32]:
    """Return milli-units for keeping, half to even; NaN becomes the mark for "not measured"."""
    missing = ~np.isfinite(values)
    scaled = np.rint(np.where(missing, 0.0, values) * 1000.0).astype(np.int32)
    scaled[missing] = _NOT_MEASURED
    return scaled


def is_measured(milli: int) -> bool:
    """Return whether a kept value was measured."""
    return milli != _NOT_MEASURED
