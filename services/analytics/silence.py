"""A unit that has been silent for longer than its food keeps without cooling: nobody may take it for cold."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.holdover import hold_over
from services.domain import Evidence, UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span

LEAST_MS = 60 * MINUTE_MS
"""A hold-over shorter than this is taken as this: it then hangs on half a kelvin of the food (judgement, no
source)."""
LOOK_MS = DAY_MS
SOURCE = "hold-over of this cabinet, the early end of its range (estimate of this project)"


@dataclass(frozen=True, slots=True)
class Silences:
    """When the food may have passed its limit unheard."""

    last_ms: IntArray
    """Last temperature before each stretch of silence."""
    outlasted_ms: FloatArray
    """From when on the silence is longer than the hold-over."""
    p10_h: FloatArray

    def at(self, moment_ms: FloatArray) -> "np.ndarray[tuple[int, ...], np.dtype[np.bool_]]":
        """Return whether each moment lies in a silence longer than the hold-over at its beginning.

        `moment_ms` must not lie after the end of a stretch unless it is the last.
        """
        if not self.last_ms.size:
            return np.zeros(moment_ms.shape, dtype=bool)
        k = np.searchsorted(self.last_ms, moment_ms, side="right") - 1
        return np.asarray((k >= 0) & (moment_ms >= self.outlasted_ms[np.maximum(k, 0)]))

    def words(self, moment_ms: int) -> str:
        """Return why, for one moment at which `at` holds."""
        k = int(np.searchsorted(self.last_ms, moment_ms, side="right")) - 1
        silent = (moment_ms - int(self.last_ms[k])) / HOUR_MS
        return (
            f"nothing heard for {silent:.1f} h, and without cooling the food keeps"
            f" {float(self.p10_h[k]):.1f} h at the early end; a named person probes and decides"
        )

    def row(self, moment_ms: int) -> Evidence:
        """Return the same as a row."""
        k = int(np.searchsorted(self.last_ms, moment_ms, side="right")) - 1
        return Evidence(
            quantity="silence",
            value=(moment_ms - int(self.last_ms[k])) / MINUTE_MS,
            operator=">=",
            threshold=(float(self.outlasted_ms[k]) - int(self.last_ms[k])) / MINUTE_MS,
            unit="min",
            source=SOURCE,
        )


def silences(
    series: Series,
    settings: UnitSettings,
    *,
    limit_c: float,
    heard_ms: IntArray,
    expected: tuple[Span, ...],
    from_ms: int,
    to_ms: int,
) -> Silences:
    """Return the stretches of silence in a span that no hold-over covers.

    Parameters
    ----------
    series : Series
        One unit's samples, times strictly increasing.
    settings : UnitSettings
        Load, volume.
    limit_c : float
        The limit the hold-over runs to. [°C]
    heard_ms : (n,) int64
        When the temperature that decides was known. [ms]
    expected : tuple of Span
        Where samples are known to exist: they are awaited, not missing, and such silence proves nothing.
    from_ms, to_ms : int
        The span looked at; silence that ends before it is over. [ms]
    """
    heard = heard_ms[heard_ms <= to_ms]
    ends = np.append(heard[1:], to_ms + 1) if heard.size else heard
    long = (ends - heard >= LEAST_MS) & (ends > from_ms)
    found = []
    for last_ms, end_ms in zip(heard[long].tolist(), ends[long].tolist(), strict=True):
        if any(span.start_ms < end_ms and span.end_ms > last_ms for span in expected):
            continue
        known = series.between(last_ms - LOOK_MS, last_ms + 1)
        frame = frame_of(known, settings, None)
        held = hold_over(known, frame, runs_of(frame), settings, as_of_ms=last_ms, limit_c=limit_c)
        if held is None:
            continue
        lasts_ms = max(float(LEAST_MS), held.hours.p10 * HOUR_MS)
        if last_ms + lasts_ms < end_ms:
            found.append((last_ms, last_ms + lasts_ms, held.hours.p10, end_ms))
    quiet = Silences(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
    if not found:
        return quiet
    # Between two such stretches the unit was heard: an entry that never outlasts stands for it.
    rows = []
    for last_ms, outlasted_ms, p10_h, end_ms in found:
        rows += [(last_ms, outlasted_ms, p10_h), (end_ms, np.inf, 0.0)]
    table = np.array([(a, b, c) for a, b, c in rows])
    return Silences(table[:, 0].astype(np.int64), table[:, 1], table[:, 2])
