"""What the manager's map is drawn from: the operator's own file, and positions where they are switched on."""

import threading
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np

from services.domain.ownmap import Fix, OwnMap, parse_own_map
from services.errors import ConfigurationError
from services.store import StoreReader
from services.timebase import DAY_MS

ROUNDED_DEG = 0.05
"""Positions are told to about five kilometres, no finer: they reveal rare animals (judgement)."""
KEPT_MS = DAY_MS
"""An older position is not told at all (judgement)."""
_LARGEST_BYTES = 20_000_000
_COLUMNS = ("lat_deg", "lon_deg")


class MapRoom:
    """Reads the own map again when its file changes, and the newest positions of units."""

    def __init__(self, file: Path, reader: StoreReader, *, positions: bool) -> None:
        """Take the map's file, which need not exist, the store, and whether positions may be told."""
        self._file = file
        self._reader = reader
        self.positions = positions
        self._lock = threading.Lock()
        self._held: tuple[tuple[int, int], OwnMap] | None = None

    @property
    def name(self) -> str:
        """The name of the map's file in the data folder."""
        return self._file.name

    def own(self) -> OwnMap | None:
        """Return the operator's own map, None where there is none.

        Raises
        ------
        ConfigurationError
            If the file is there and cannot be taken.
        """
        try:
            found = self._file.stat()
        except OSError:
            return None
        mark = found.st_mtime_ns, found.st_size
        with self._lock:
            if self._held is None or self._held[0] != mark:
                self._held = mark, self._read(found.st_size)
            return self._held[1]

    def _read(self, size: int) -> OwnMap:
        if size > _LARGEST_BYTES:
            raise ConfigurationError("is larger than 20 MB: simplify its lines", setting=self.name)
        try:
            text = self._file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise ConfigurationError("cannot be read as UTF-8 text", setting=self.name) from error
        return parse_own_map(text, name=self.name)

    def fixes(self, units: Collection[str], now_ms: int) -> Mapping[str, Fix]:
        """Return the newest rounded position of units; none where positions are not switched on."""
        if not self.positions:
            return {}
        found = {}
        for unit in units:
            fix = self._newest(unit, now_ms)
            if fix is not None:
                found[unit] = fix
        return found

    def _newest(self, unit: str, now_ms: int) -> Fix | None:
        series = self._reader.read(unit, now_ms - KEPT_MS, now_ms + 1, _COLUMNS)
        latitude, longitude = (series.columns.get(name) for name in _COLUMNS)
        if latitude is None or longitude is None:
            return None
        known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
        if not known.size:
            return None
        at = int(known[-1])
        return Fix(int(series.t_ms[at]), _rounded(float(latitude[at])), _rounded(float(longitude[at])))


def _rounded(degrees: float) -> float:
    return round(round(degrees / ROUNDED_DEG) * ROUNDED_DEG, 4)
