"""Tracks that were worked out lately, carried on by what came since: the same answer for less work.

A clock gives the same numbers to the last bit however its samples are cut into calls (see `track.extend`),
and looks at one cabinet within a day begin at the same sample. So what an earlier look followed is not
followed again, as long as the readings it saw are still the first ones.
"""

import threading
from collections import OrderedDict
from dataclasses import dataclass

import numpy as np

from services.analytics.food import track as clock
from services.telemetry import FloatArray, IntArray

MOST_ROWS = 1_000_000
"""So many samples are kept in all, about 40 bytes each."""
_HEAD = 32
"""So many first readings tell cabinets apart; the rest is compared."""

_Key = tuple[tuple[clock.Line, ...], bytes, float, bool, bytes, bytes]


@dataclass(frozen=True, slots=True)
class _Kept:
    t_ms: IntArray
    value_c: FloatArray
    track: clock.Track


class Followed:
    """Keeps the tracks that were asked for last."""

    def __init__(self, most_rows: int = MOST_ROWS) -> None:
        """Keep so many samples at most."""
        self._most_rows = most_rows
        self._rows = 0
        self._kept: OrderedDict[_Key, _Kept] = OrderedDict()
        self._lock = threading.Lock()
        self.carried = 0
        """How often less than everything had to be followed."""

    def track(
        self,
        lines: tuple[clock.Line, ...],
        t_ms: IntArray,
        value_c: FloatArray,
        *,
        lags: FloatArray,
        gap_ms: float,
        frozen: bool,
    ) -> clock.Track:
        """Return the clock after these readings, as if it had seen none before."""
        head = (t_ms[:_HEAD].tobytes(), value_c[:_HEAD].tobytes())
        key = (lines, lags.tobytes(), gap_ms, frozen, *head)
        with self._lock:
            kept = self._kept.get(key)
        if kept is None or not _goes_on(kept, t_ms, value_c):
            fresh = clock.start(lines, lags=lags, gap_ms=gap_ms, frozen=frozen)
            found = clock.extend(fresh, t_ms, value_c)
        else:
            seen = kept.t_ms.size
            found = clock.extend(kept.track, t_ms[seen:], value_c[seen:])
            self.carried += 1
        self._keep(key, _Kept(t_ms, value_c, found))
        return found

    def _keep(self, key: _Key, kept: _Kept) -> None:
        if kept.t_ms.size < _HEAD:
            return
        with self._lock:
            before = self._kept.pop(key, None)
            self._rows += kept.t_ms.size - (0 if before is None else before.t_ms.size)
            self._kept[key] = kept
            while self._rows > self._most_rows:
                self._rows -= self._kept.popitem(last=False)[1].t_ms.size


def _goes_on(kept: _Kept, t_ms: IntArray, value_c: FloatArray) -> bool:
    """Return whether readings begin with those that were followed."""
    seen = kept.t_ms.size
    if seen > t_ms.size:
        return False
    return np.array_equal(kept.t_ms, t_ms[:seen]) and np.array_equal(kept.value_c, value_c[:seen])
