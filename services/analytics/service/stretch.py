"""What a unit did over one stretch of time, in the numbers a workshop tests it by."""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.rules import limits_of
from services.analytics.power.frame import Frame, Runs, frame_of, runs_of
from services.analytics.power.resistance import source_resistance, stop_steps
from services.analytics.quality import gap_limit_ms, interval_s, judged, merged
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import HOUR_MS, SECOND_MS

LEAST_DIFFERENCE_K = 8.0
"""With less between air and cabinet, a share of running says little of the insulation (judgement)."""
FEWEST_READINGS = 3
FEWEST_STARTS = 3


@dataclass(frozen=True)
class Bench:
    """The samples of a unit made ready for testing it: one row a time, what cannot be trusted left out."""

    settings: UnitSettings
    series: Series
    cabinet_c: FloatArray
    product_c: FloatArray
    ambient_c: FloatArray
    interval_ms: float
    gap_ms: float
    limit_c: float
    """The food's own. [°C]"""
    assumed: tuple[str, ...]

    @staticmethod
    def of(series: Series, settings: UnitSettings, *, as_of_ms: int, offline: bool) -> "Bench":
        """Merge equal times and leave out what a sensor got wrong.

        Parameters
        ----------
        series : Series
            With whatever came before the test.
        settings : UnitSettings
            The unit.
        as_of_ms : int
            Checks of its sensors later than this are not known yet. [ms]
        offline : bool
            Whether the log's own spacing stands in for an interval nobody gave.
        """
        series, conflicts = merged(series)
        interval, words = interval_s(series, "cabinet_c", settings, offline=offline)
        gap_ms = gap_limit_ms(interval)
        quality = judged(series, settings, gap_ms=gap_ms, conflicts=conflicts, as_of_ms=as_of_ms)
        assumed = (*settings.assumed, *(() if words is None else (words,)))
        return Bench(
            settings=settings,
            series=series,
            cabinet_c=quality.cabinet_c,
            product_c=quality.product_c,
            ambient_c=quality.ambient_c,
            interval_ms=interval * SECOND_MS,
            gap_ms=gap_ms,
            limit_c=limits_of(settings).food_limit_c,
            assumed=assumed,
        )

    def within(self, start_ms: int, end_ms: int) -> slice:
        """Return the rows in ``[start_ms, end_ms]``: a stretch is told with both its ends."""
        low = int(np.searchsorted(self.series.t_ms, start_ms, side="left"))
        return slice(low, int(np.searchsorted(self.series.t_ms, end_ms, side="right")))

    def line(self, column: FloatArray, part: slice) -> tuple[IntArray, FloatArray]:
        """Return times and values of the readings of a channel there are in some rows."""
        known = np.isfinite(column[part])
        return self.series.t_ms[part][known], column[part][known]

    def missing_share(self, column: FloatArray, start_ms: int, end_ms: int) -> float:
        """Return how many of the readings due in a stretch are not there [1]."""
        due = (end_ms - start_ms) / self.interval_ms
        there = float(np.sum(np.isfinite(column[self.within(start_ms, end_ms)])))
        return max(0.0, 1.0 - there / due) if due >= 1.0 else 0.0


@dataclass(frozen=True, slots=True)
class Level:
    """A temperature over a stretch of time."""

    mean: float
    lowest: float
    highest: float


def level_of(t_ms: IntArray, values: FloatArray, *, gap_ms: float) -> Level | None:
    """Return mean over time, lowest and highest of readings; None with fewer than two joined ones.

    Parameters
    ----------
    t_ms : (n,) int64
        Strictly increasing. [ms]
    values : (n,) float64
        Finite.
    gap_ms : float
        The longest pair a line is drawn across; the mean is that of the lines. [ms]
    """
    if t_ms.size < 2:  # noqa: PLR2004 - a line needs two ends
        return None
    step = np.diff(t_ms).astype(np.float64)
    step = np.where(step <= gap_ms, step, 0.0)
    seen = float(np.sum(step))
    if seen <= 0.0:
        return None
    mean = float(np.sum(step * (values[1:] + values[:-1]) / 2.0)) / seen
    return Level(mean, float(np.min(values)), float(np.max(values)))


def kelvin_hours_above(t_ms: IntArray, values: FloatArray, *, limit_c: float, gap_ms: float) -> float:
    """Return the area between a line through readings and a limit, where the line lies above it.

    Parameters
    ----------
    t_ms : (n,) int64
        Strictly increasing. [ms]
    values : (n,) float64
        Finite. [°C]
    limit_c : float
        The limit; crossings are solved on the straight line. [°C]
    gap_ms : float
        Pairs further apart count nothing. [ms]

    Returns
    -------
    float
        ``∫ max(0, T - limit) dt`` [K·h]
    """
    over = values - limit_c
    step_h = np.diff(t_ms) / HOUR_MS
    left, right = over[:-1], over[1:]
    rise = np.abs(right - left)
    peak = np.maximum(np.maximum(left, right), 0.0)
    triangle = np.divide(peak**2, 2.0 * rise, out=np.zeros_like(peak), where=rise > 0.0)
    area = np.where((left >= 0.0) & (right >= 0.0), (left + right) / 2.0, triangle)
    return float(np.sum(np.where(np.diff(t_ms) <= gap_ms, area * step_h, 0.0)))


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of running; None where nothing measured it."""

    cabinet: Level | None
    kh_above: float | None
    ambient_c: float | None
    duty: float | None
    starts_per_h: float | None
    current_a: float | None
    sag_v: float | None
    source_ohm: float | None
    slope: float | None
    """Share of running per kelvin between air and cabinet [1/K]; of a machine of variable speed current per
    kelvin [A/K]."""
    borrowed_air: bool = False
    """Whether the air around it is that of another unit of its place."""


def stretch_of(bench: Bench, start_ms: int, end_ms: int, *, ambient_by_hand_c: float | None) -> Stretch:
    """Return what a unit did in ``[start_ms, end_ms]``.

    Parameters
    ----------
    bench : Bench
        Samples.
    start_ms, end_ms : int
        The stretch. [ms]
    ambient_by_hand_c : float or None
        Air around it where no channel measures it. [°C]

    Returns
    -------
    Stretch
        Duty and starts of the time whose compressor state is known; sag from the middle of what the unit
        read while it stood to that while it ran; resistance from its stops (see `stop_steps`).
    """
    part = bench.within(start_ms, end_ms)
    t_ms, cabinet = bench.line(bench.cabinet_c, part)
    level = level_of(t_ms, cabinet, gap_ms=bench.gap_ms)
    air = level_of(*bench.line(bench.ambient_c, part), gap_ms=bench.gap_ms)
    ambient_c = ambient_by_hand_c if air is None else air.mean
    frame = frame_of(bench.series.between(start_ms, end_ms + 1), bench.settings, None)
    runs = runs_of(frame)
    duty, starts = _running(frame, runs)
    amps = _middle(frame.current_a[frame.on])
    return Stretch(
        cabinet=level,
        kh_above=None
        if level is None
        else kelvin_hours_above(t_ms, cabinet, limit_c=bench.limit_c, gap_ms=bench.gap_ms),
        ambient_c=ambient_c,
        duty=duty,
        starts_per_h=starts,
        current_a=amps,
        sag_v=_sag_v(frame),
        source_ohm=source_resistance(frame, stop_steps(frame, runs, bench.settings), bench.settings).ohm,
        slope=None
        if ambient_c is None or level is None or ambient_c - level.mean < LEAST_DIFFERENCE_K
        else _per_kelvin(bench, frame, runs, duty, ambient_c - level.mean),
    )


def _running(frame: Frame, runs: Runs) -> tuple[float | None, float | None]:
    """Return share of running, over whole cycles where there are, and starts an hour of the time seen."""
    seen_ms = float(np.sum(frame.held_ms))
    if seen_ms <= 0.0:
        return None, None
    starts = int(np.sum(~runs.on[:-1] & runs.joined[:-1])) if runs.on.size else 0
    whole = _whole_cycles(frame, runs)
    held = frame.held_ms[whole]
    return float(np.sum(held[frame.on[whole]])) / float(np.sum(held)), starts / (seen_ms / HOUR_MS)


def _whole_cycles(frame: Frame, runs: Runs) -> slice:
    """Return the rows from the first start to the last one.

    A stretch that holds six cycles and a half tells of one half too many or too few: at one cycle an hour a
    tenth of the share. All rows where fewer than three starts were seen.
    """
    began = runs.first[1:][~runs.on[:-1] & runs.joined[:-1]] if runs.on.size else runs.first
    if began.size < FEWEST_STARTS:
        return slice(0, len(frame))
    return slice(int(began[0]), int(began[-1]))


def _middle(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size >= FEWEST_READINGS else None


def _sag_v(frame: Frame) -> float | None:
    rest, loaded = _middle(frame.volts_12[~frame.on]), _middle(frame.volts_12[frame.on])
    return None if rest is None or loaded is None else (rest - loaded) * frame.volt_scale


def _per_kelvin(
    bench: Bench, frame: Frame, runs: Runs, duty: float | None, difference_k: float
) -> float | None:
    if not bench.settings.unit.compressor.variable_speed:
        return None if duty is None else duty / difference_k
    whole = _whole_cycles(frame, runs)
    amps, held = frame.current_a[whole], frame.held_ms[whole]
    known = np.isfinite(amps)
    seen = float(np.sum(held[known]))
    return float(np.sum(held[known] * amps[known])) / seen / difference_k if seen > 0.0 else None
