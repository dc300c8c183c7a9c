"""How far readings can be trusted: equal times merged, the gap limit, stretches a sensor got wrong."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from services.analytics import sensor_checks
from services.analytics.channel_faults import (
    STUCK_BREAK_MS,
    air_evidence,
    drifts,
    jumps,
    probe_evidence,
    trembles,
)
from services.domain import SensorCheck, SensorFlag, UnitSettings
from services.telemetry import BOOLEAN_COLUMNS, COLUMNS, TEXT_COLUMNS, FloatArray, IntArray, Series
from services.timebase import MINUTE_MS, SECOND_MS, ms_of

BoolArray = npt.NDArray[np.bool_]
Corrections = tuple[sensor_checks.Correction, ...]
Flag = Literal["stuck", "out_of_range", "missing", "jump", "conflict", "drift", "check_failed"]

SERVICE_INTERVAL_S = 60.0
"""Reporting interval of a unit whose settings give none (design decision "defaults")."""
LONGEST_LINE_MS = 30 * MINUTE_MS
"""No straight line is drawn across more than this, unless the interval itself is longer."""
CONFLICT_MILLI = {"Cel": 500, "V": 100}
"""Two readings of one moment further apart than this contradict each other. [mK, mV]"""

POWER_ON_C = 85.0
"""What a common digital thermometer reports before its first measurement (from memory)."""


@dataclass(frozen=True, slots=True)
class Quality:
    """The readings that may be judged, and what was wrong with the others."""

    cabinet_c: FloatArray
    """Raised where the sensor reads low; NaN where not measured or not to be trusted. [°C]"""
    product_c: FloatArray
    """As `cabinet_c`, for the product probe. [°C]"""
    cabinet_cold_c: FloatArray
    """Lowered where the sensor reads high, never raised: for limits from below. [°C]"""
    product_cold_c: FloatArray
    """As `cabinet_cold_c`, for the product probe. [°C]"""
    ambient_c: FloatArray
    """Of the air around the cabinet; NaN where not measured or impossible. [°C]"""
    flags: tuple[SensorFlag, ...]
    correction_k: float
    """The most that was added to readings of the cabinet sensor; never negative. [K]"""
    told: tuple[str, ...] = ()
    """What checks in melting ice made of the readings, in plain words."""
    corrections: tuple[Corrections, Corrections] = ((), ())
    """What is added to readings of the cabinet sensor and of the product probe, over all time."""

    @property
    def two_sided(self) -> bool:
        """Whether cold limits see other readings than warm ones."""
        return any(
            not np.array_equal(warm, cold, equal_nan=True)
            for warm, cold in (
                (self.cabinet_c, self.cabinet_cold_c),
                (self.product_c, self.product_cold_c),
            )
        )


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
    series: Series,
    settings: UnitSettings,
    *,
    gap_ms: float,
    conflicts: tuple[SensorFlag, ...] = (),
    checks: Sequence[SensorCheck] = (),
    as_of_ms: int | None = None,
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
    checks : sequence of SensorCheck
        Checks in melting ice beside those of the unit file.
    as_of_ms : int, optional
        Checks made later than this are not known yet. [ms since 1970-01-01 UTC]

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
        wrong = impossible(values, column)
        flags += _flags_of(series.t_ms, wrong, channel.name, "out_of_range")
        usable[column] = np.where(wrong, np.nan, values)
    for column, start_ms, end_ms in drifts(series, usable):
        still = end_ms > int(series.t_ms[-1])
        flags.append(_flag(COLUMNS[column].name, "drift", start_ms, end_ms, still=still))
    for column, evidence in (("cabinet_c", air_evidence), ("product_c", probe_evidence)):
        if column in usable:
            stuck = np.zeros(len(series), dtype=bool)
            for start, stop in evidence(series, usable, max(gap_ms, float(STUCK_BREAK_MS))):
                stuck[start:stop] = True
                begin, end = int(series.t_ms[start]), int(series.t_ms[stop - 1])
                still = stop == len(series)
                flags.append(_flag(COLUMNS[column].name, "stuck", begin, end, still=still))
            usable[column] = np.where(stuck, np.nan, usable[column])
    nothing = np.full(len(series), np.nan)
    cabinet, product = usable.get("cabinet_c", nothing), usable.get("product_c", nothing)
    flags += _flags_of(series.t_ms, jumps(series.t_ms, cabinet), "cabinet", "jump")
    flags += _flags_of(series.t_ms, trembles(series.t_ms, cabinet), "cabinet", "jump")
    flags += _missing(series, max(gap_ms, float(LONGEST_LINE_MS)))
    known = [
        c for c in (*settings.unit.sensor.checks, *checks) if as_of_ms is None or ms_of(c.at) <= as_of_ms
    ]
    air = _Checked.of("cabinet", series, settings, known)
    probe = _Checked.of("product", series, settings, known)
    return Quality(
        cabinet_c=np.round(cabinet + air.low_k, 3),
        product_c=np.round(product + probe.low_k, 3),
        cabinet_cold_c=np.round(cabinet - air.high_k, 3),
        product_cold_c=np.round(product - probe.high_k, 3),
        ambient_c=usable.get("ambient_c", nothing),
        flags=tuple(sorted((*flags, *air.flags, *probe.flags), key=lambda f: (f.start, f.channel, f.flag))),
        correction_k=float(np.max(air.low_k, initial=0.0)),
        told=(*air.told, *probe.told),
        corrections=(air.found, probe.found),
    )


@dataclass(frozen=True, slots=True)
class _Checked:
    """What the checks in melting ice of one channel make of its readings."""

    found: Corrections
    low_k: FloatArray
    high_k: FloatArray
    flags: tuple[SensorFlag, ...]
    told: tuple[str, ...]

    @staticmethod
    def of(
        channel: Literal["cabinet", "product"],
        series: Series,
        settings: UnitSettings,
        checks: Sequence[SensorCheck],
    ) -> "_Checked":
        """Return them for one channel; the offset of the unit file belongs to the sensor that decides."""
        sensor = settings.unit.sensor
        fixed = sensor.offset_c if channel == "cabinet" or sensor.position == "product" else 0.0
        found = sensor_checks.corrections(checks, fixed_offset_c=fixed, channel=channel)
        low_k, high_k = sensor_checks.offsets(found, series.t_ms)
        seen = channel == "cabinet" or series.has("product_c")
        inside = sensor_checks.seen_by(found, series.t_ms) if seen else ()
        return _Checked(
            found,
            low_k,
            high_k,
            tuple(
                _flag(channel, "check_failed", a, b, still=still)
                for a, b, still in sensor_checks.failed(inside, series.t_ms)
            ),
            sensor_checks.words(inside, channel=channel, freezer=settings.unit.kind == "freezer"),
        )


def impossible(values: FloatArray, column: str) -> BoolArray:
    """Return which readings no such sensor can have measured."""
    channel = COLUMNS[column]
    wrong = np.zeros(values.shape, dtype=bool)
    if channel.lowest is not None:
        wrong |= values < channel.lowest
    if channel.highest is not None:
        wrong |= values > channel.highest
    return np.asarray(wrong | (values == POWER_ON_C))


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
