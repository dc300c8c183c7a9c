"""The machine under the house: room on the disk, sizes of files, and what its processes say."""

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from services.pulse import Sign, signs
from services.timebase import DAY_MS, HOUR_MS

MB = 1_000_000
SIZES_KEPT = 25
"""Hourly sizes that are remembered: a day, both ends included."""
_FILES = {"telemetry": "telemetry.db", "records": "records.db", "ledger": "ledger.db"}


@dataclass(frozen=True, slots=True)
class Room:
    """Room on the disk that holds the data."""

    free_bytes: int
    total_bytes: int
    reserve_bytes: int
    """Below this ingest takes nothing more, so that what people say can still be written."""

    @property
    def enough(self) -> bool:
        """Return whether ingest may write."""
        return self.free_bytes > self.reserve_bytes


class Box:
    """What can be seen from the data folder, without opening a database."""

    def __init__(self, data: Path, reserve_mb: int) -> None:
        """Look at a data folder."""
        self.data = data
        self._reserve_bytes = reserve_mb * MB

    def room(self) -> Room:
        """Return how much room there is, to somebody who is not root."""
        found = shutil.disk_usage(self.data)
        return Room(found.free, found.total, self._reserve_bytes)

    def sizes(self) -> dict[str, int]:
        """Return the size of each database on the disk, what is not yet folded into it included. [bytes]."""
        return {
            name: sum(_size_of(self.data / f"{file}{end}") for end in ("", "-wal"))
            for name, file in _FILES.items()
        }

    def signs(self) -> Mapping[str, Sign]:
        """Return what every process last said."""
        return signs(self.data)


def _size_of(file: Path) -> int:
    try:
        return os.stat(file).st_size  # noqa: PTH116 - one call, no second look
    except OSError:
        return 0


Sizes = list[tuple[int, int]]
"""Moments (ms) and bytes, oldest first."""


def noted_size(sizes: Sequence[tuple[int, int]], now_ms: int, size_bytes: int) -> Sizes:
    """Return hourly sizes with the present one added where an hour has passed; at most a day is kept."""
    kept = [(t_ms, size) for t_ms, size in sizes if now_ms - DAY_MS - HOUR_MS <= t_ms <= now_ms]
    if not kept or now_ms - kept[-1][0] >= HOUR_MS:
        kept.append((now_ms, size_bytes))
    return kept[-SIZES_KEPT:]


def growth_bytes_day(sizes: Sequence[tuple[int, int]], now_ms: int, size_bytes: int) -> float | None:
    """Return how fast the data grow, None before an hour has been seen."""
    if not sizes or now_ms - sizes[0][0] < HOUR_MS:
        return None
    return (size_bytes - sizes[0][1]) * DAY_MS / (now_ms - sizes[0][0])
