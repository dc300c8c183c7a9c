"""How far readings can be trusted: equal times merged, the gap limit, stretches a sensor got wrong."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from services.domain import SensorFlag, UnitSettings
from services.telemetry import BOOLEAN_COLUMNS, COLUMNS, TEXT_COLUMNS, FloatArray, IntArray, Series
from services.timebase import MINUTE_MS, SECOND_MS

BoolArray = npt.NDArray[np.bool_]
Flag = Literal["stuck", "out_of_range", "missing", "jump", "conflict"]

SERVICE_INTERVAL_S = 60.0
"""Reporting interval of a unit whose settings give none (design decision "defaults")."""
LONGEST_LINE_MS = 30 * MINUTE_MS
"""No straight line is drawn across more than this, unless the interval itself is longer."""
CONFLICT_MILLI = {"Cel": 500, "V": 100}
"""Two readings of one moment further apart than this contradict each other. [mK, mV]"""

STUCK_READINGS = 6
STUCK_MS = 60 * MINUTE_MS
"""Shortest unchanged stretch that can be called stuck (judgement, no source)."""
STUCK_BREAK_MS = 120 * MINUTE_MS
"""Across a longer silence an unchanged reading proves nothing (judgement, no source)."""
STUCK_CYCLING_MS = 120 * MINUTE_MS
STUCK_COMPRESSOR_CHANGES = 8
"""Air must move while a compressor runs and rests four times (judgement, no source)."""
STUCK_IDLE_MS = 6 * 60 * MINUTE_MS
STUCK_AMBIENT_K = 3.0
"""Where nothing cools, air warms towards its surroundings, if these are not as cold themselves; air that has
not moved at all in this long is a unit that repeats itself (judgement, no source)."""
STUCK_EVAPORATOR_K = 3.0
STUCK_PRODUCT_K = 1.0
"""Food only moves towards the air around it; away from an unmoved reading means the reading is wrong."""
STUCK_PROBE_APART_K = 3.0
"""Food of the slowest lag (600 min) beside air 3 K away moves 0.29 K in an hour."""
THAW_C = (-3.0, 0.5)
"""Food held here may be thawing: a steady probe proves nothing."""
POWER_ON_C = 85.0
"""What a common digital thermometer reports before its first measurement (from memory)."""
JUMP_K = 8.0
JUMP_MS = 120 * SECOND_MS
"""There and back by this much between neighbours this close is no movement of air (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Quality:
    """The readings that may be judged, and what was wrong with the others."""

    cabinet_c: FloatArray
    """Raised where the sensor reads low; NaN where not measured or not to be trusted. [°C]"""
    product_c: FloatArray
    """As `cabinet_c`, for the product probe. [°C]"""
    flags: tuple[SensorFlag, ...]
    correction_k: float
    """What was added to every reading of the cabinet sensor; never negative. [K]"""


def merged(series: Series) -> tuple[Series, tuple[SensorFlag, ...]]:
    """Return the series with one row per time, and where rows of one time contradicted each other.

    Exact repeats are dropped; else each number is the midpoint of lowest and highest, a boolean is
    true when any row says so, and of several texts the first in the alphabet stands, so that the
    order of arrival changes nothing.
    """
    if len(series) < 2 or bool(np.all(np.diff(series.t_ms) > 0)):  # noqa: PLR2004 - a pair
        return series, ()
    t_ms, first = np.unique(series.t_ms, return_index=True)
    columns: dict[str, npt.NDArray[np.generic]] = {}
    flags: list[SensorFlag] = []
    for name, values in series.columns.items():
        if name in TEXT_COLUMNS:
            columns[name] = _merged_texts(values, first)
        elif name in BOOLEAN_COLUMNS:
            columns[name] = np.fmax.reduceat(values, first)
        else:
            low, high = np.fmin.reduceat(values, first), np.fmax.reduceat(values, first)
            columns[name] = np.where(low == high, low, (low + high) / 2)
            channel = COLUMNS.get(name)
            allowed = CONFLICT_MILLI.get(channel.unit or "") if channel else None
            if channel and allowed:
                apart = np.nan_to_num(np.round((high - low) * 1000.0), nan=0.0) > allowed
                flags += _flags_of(t_ms, apart, channel.name, "conflict")
    return Series(t_ms, columns), tuple(flags)


def _merged_texts(values: npt.NDArray[np.object_], first: IntArray) -> npt.NDArray[np.object_]:
    found = values[first].copy()
    lengths = np.diff(np.append(first, values.size))
    for group in np.flatnonzero(lengths > 1):
        said = [v for v in values[first[group] : first[group] + lengths[group]] if v is not None]
        found[group] = min(said) if said else None
    return found


def interval_s(
    series: Series, column: str, settings: UnitSettings, *, offline: bool
) -> tuple[float, str | None]:
    """Return the reporting interval of a column, and the words for `assumed` when it was not given."""
    if settings.interval_s is not None:
        return float(settings.interval_s), None
    measured = series.t_ms[np.isfinite(series.numbers(column))]
    if offline and measured.size > 1:
        spacing_s = float(np.median(np.diff(measured))) / SECOND_MS
        return spacing_s, f"interval {spacing_s:g} s, the median spacing of {column}"
    return SERVICE_INTERVAL_S, f"interval {SERVICE_INTERVAL_S:g} s"


def gap_limit_ms(interval: float, max_gap_s: float | None = None) -> float:
    """Return how far apart two readings may be for a straight line between them, in ms.

    Three intervals, but never more than 30 min unless the interval itself is about that long; a
    limit given by a person (`max_gap_s`) replaces the rule.
    """
    if max_gap_s is not None:
        return max_gap_s * SECOND_MS
    return min(3.0 * interval * SECOND_MS, max(float(LONGEST_LINE_MS), 1.1 * interval * SECOND_MS))


def judged(
    series: Series, settings: UnitSettings, *, gap_ms: float, conflicts: tuple[SensorFlag, ...] = ()
) -> Quality:
    """Return the readings food time may be counted on, with every stretch that is not to be trusted.

    Parameters
    ----------
    series : Series
        One row per time (see `merged`).
    settings : UnitSettings
        For the position and offset of the cabinet sensor.
    gap_ms : float
        The gap limit; silence longer than this and 30 min is flagged ``missing``. [ms]
    conflicts : tuple of SensorFlag
        What `merged` found.

    Returns
    -------
    Quality
        Readings flagged ``stuck`` or ``out_of_range`` are NaN, so their time becomes unknown.
        A sensor that reads low is corrected, one that reads high is not: nothing is cleared by
        arithmetic. The sum is kept at milli-kelvin, as every reading is.
    """
    flags = list(conflicts)
    usable: dict[str, FloatArray] = {}
    for column in ("cabinet_c", "product_c", "ambient_c", "evaporator_c"):
        if not series.has(column):
            continue
        channel = COLUMNS[column]
        values = series.numbers(column)
        wrong = _out_of_range(values, column)
        flags += _flags_of(series.t_ms, wrong, channel.name, "out_of_range")
        usable[column] = np.where(wrong, np.nan, values)
    for column, evidence in (("cabinet_c", _air_evidence), ("product_c", _probe_evidence)):
        if column in usable:
            stuck = np.zeros(len(series), dtype=bool)
            for start, stop in evidence(series, usable, max(gap_ms, float(STUCK_BREAK_MS))):
                stuck[start:stop] = True
                begin, end = int(series.t_ms[start]), int(series.t_ms[stop - 1])
                still = stop == len(series)
                flags.append(_flag(COLUMNS[column].name, "stuck", begin, end, still=still))
            usable[column] = np.where(stuck, np.nan, usable[column])
    nothing = np.full(len(series), np.nan)
    cabinet = usable.get("cabinet_c", nothing)
    flags += _flags_of(series.t_ms, _jumps(series.t_ms, cabinet), "cabinet", "jump")
    flags += _missing(series, max(gap_ms, float(LONGEST_LINE_MS)))
    correction = max(0.0, -settings.unit.sensor.offset_c)
    product = usable.get("product_c", nothing)
    if settings.unit.sensor.position == "product":
        product = np.round(product + correction, 3)
    return Quality(
        cabinet_c=np.round(cabinet + correction, 3),
        product_c=product,
        flags=tuple(sorted(flags, key=lambda f: (f.start, f.channel, f.flag))),
        correction_k=correction,
    )


def _out_of_range(values: FloatArray, column: str) -> BoolArray:
    channel = COLUMNS[column]
    wrong = np.zeros(values.shape, dtype=bool)
    if channel.lowest is not None:
        wrong |= values < channel.lowest
    if channel.highest is not None:
        wrong |= values > channel.highest
    return np.asarray(wrong | (values == POWER_ON_C))


def _unchanged(t_ms: IntArray, values: FloatArray, *, break_ms: float) -> list[tuple[int, int]]:
    """Return ``[start, stop)`` row ranges of long stretches in which a channel never moved."""
    rows = np.flatnonzero(np.isfinite(values))
    if rows.size < STUCK_READINGS:
        return []
    moved = (np.diff(values[rows]) != 0) | (np.diff(t_ms[rows]) > break_ms)
    firsts = np.concatenate(([0], np.flatnonzero(moved) + 1))
    lasts = np.append(firsts[1:], rows.size) - 1
    long = (lasts - firsts + 1 >= STUCK_READINGS) & (t_ms[rows[lasts]] - t_ms[rows[firsts]] >= STUCK_MS)
    return [(int(rows[a]), int(rows[b]) + 1) for a, b in zip(firsts[long], lasts[long], strict=True)]


def _air_evidence(series: Series, usable: dict[str, FloatArray], break_ms: float) -> list[tuple[int, int]]:
    """Return stretches of unmoved cabinet air that compressor, evaporator or product contradict."""
    t_ms, cabinet = series.t_ms, usable["cabinet_c"]
    compressor = series.numbers("compressor_on")
    found = []
    for start, stop in _unchanged(t_ms, cabinet, break_ms=break_ms):
        cycling = t_ms[stop - 1] - t_ms[start] >= STUCK_CYCLING_MS
        states = compressor[start:stop]
        states = states[np.isfinite(states)]
        changes = int(np.count_nonzero(np.diff(states)))
        if (
            (cycling and changes >= STUCK_COMPRESSOR_CHANGES)
            or _never_warmed(series, usable.get("ambient_c"), float(cabinet[start]), start, stop)
            or (cycling and _range_k(usable.get("evaporator_c"), start, stop) >= STUCK_EVAPORATOR_K)
            or _moved_away_k(usable.get("product_c"), float(cabinet[start]), start, stop) >= STUCK_PRODUCT_K
        ):
            found.append((start, stop))
    return found


def _never_warmed(series: Series, ambient_c: FloatArray | None, held_c: float, start: int, stop: int) -> bool:
    """Return whether air stood unmoved for hours while the compressor rested all along."""
    states = series.numbers("compressor_on")[start:stop]
    known = np.isfinite(states)
    if not known.any() or THAW_C[0] <= held_c <= THAW_C[1]:
        return False
    if ambient_c is not None:
        near = np.abs(ambient_c[start:stop] - held_c) < STUCK_AMBIENT_K
        if near.any():
            return False
    times, ran = series.t_ms[start:stop][known], states[known] > 0.5  # noqa: PLR2004 - between 0 and 1
    rests = np.diff(np.concatenate((times[:1], times[ran], times[-1:])))
    return bool(rests.max() >= STUCK_IDLE_MS)


def _probe_evidence(series: Series, usable: dict[str, FloatArray], break_ms: float) -> list[tuple[int, int]]:
    """Return stretches of an unmoved probe beside air that must have moved it."""
    product, cabinet = usable["product_c"], usable.get("cabinet_c")
    found = []
    for start, stop in _unchanged(series.t_ms, product, break_ms=break_ms):
        held = float(product[start])
        if cabinet is None or THAW_C[0] <= held <= THAW_C[1]:
            continue
        air = cabinet[start:stop]
        air = air[np.isfinite(air)]
        if air.size >= STUCK_READINGS and abs(float(np.mean(air)) - held) >= STUCK_PROBE_APART_K:
            found.append((start, stop))
    return found


def _range_k(values: FloatArray | None, start: int, stop: int) -> float:
    if values is None:
        return 0.0
    part = values[start:stop]
    part = part[np.isfinite(part)]
    return float(np.ptp(part)) if part.size else 0.0


def _moved_away_k(values: FloatArray | None, held_c: float, start: int, stop: int) -> float:
    if values is None:
        return 0.0
    apart = np.abs(values[start:stop] - held_c)
    apart = apart[np.isfinite(apart)]
    return float(np.max(apart - np.minimum.accumulate(apart))) if apart.size else 0.0


def _jumps(t_ms: IntArray, values: FloatArray) -> BoolArray:
    """Return which readings leap away from both neighbours and back."""
    found = np.zeros(values.shape, dtype=bool)
    if values.size > 2:  # noqa: PLR2004 - a reading and its two neighbours
        near = np.diff(t_ms) <= JUMP_MS
        there, back = values[1:-1] - values[:-2], values[1:-1] - values[2:]
        found[1:-1] = (
            near[:-1] & near[1:] & (np.minimum(np.abs(there), np.abs(back)) >= JUMP_K) & (there * back > 0)
        )
    return found


def _missing(series: Series, limit_ms: float) -> list[SensorFlag]:
    """Return long stretches without a cabinet reading, and a cabinet never measured."""
    if not len(series):
        return []
    measured = series.t_ms[np.isfinite(series.numbers("cabinet_c"))]
    edges = np.concatenate(([series.t_ms[0]], measured, [series.t_ms[-1]]))
    return [
        _flag("cabinet", "missing", int(edges[k]), int(edges[k + 1]), still=not bool(k + 2 < edges.size))
        for k in np.flatnonzero(np.diff(edges) > limit_ms)
    ]


def _flags_of(t_ms: IntArray, wrong: BoolArray, channel: str, flag: Flag) -> list[SensorFlag]:
    """Return one flag per unbroken run of marked rows."""
    if not wrong.any():
        return []
    edges = np.diff(np.concatenate(([0], wrong.astype(np.int8), [0])))
    runs = zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1, strict=True)
    return [
        _flag(channel, flag, int(t_ms[a]), int(t_ms[b]), still=bool(b == wrong.size - 1 and a != b))
        for a, b in runs
    ]


def _flag(channel: str, flag: Flag, start_ms: int, end_ms: int, *, still: bool) -> SensorFlag:
    return SensorFlag(
        channel=channel,
        flag=flag,
        start=start_ms,
        end=None if still else end_ms,
        end_reason="still so at the last sample" if still else None,
    )
